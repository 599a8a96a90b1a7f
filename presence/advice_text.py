"""Advice on sensors in plain words, and for programs."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap
from typing import Any

from presence.advise import FIGURES, Advice, Change, Gain, Spread
from presence.report import WIDTH, table
from presence.wording import capitalised, leaf_name

DARK, WASTED, DOUBT, LOG_LOSS = FIGURES
SAID = 8
"""Changes of each sort that are put in words; the tables have all."""
CALLED = {
    "motion": "a motion sensor in the {}",
    "occupancy": "an occupancy sensor in the {}",
    "camera": "a camera in the {}",
    "pressure": "a pressure sensor on the bed in the {}",
    "contact": "a contact on the {}",
    "phone": "the phone of {}",
}


def text(advice: Advice) -> str:
    """Advice for people."""
    return "\n".join(_lines(advice)) + "\n"


def to_mapping(advice: Advice) -> dict[str, Any]:
    """Advice for programs."""
    return {
        "plan": advice.plan,
        "days": advice.days,
        "seeds": list(advice.seeds),
        "now": dict(advice.now),
        "changes": [
            {
                "action": "add" if gain.change.added else "remove",
                "sensor": gain.change.sensor.id,
                "kind": gain.change.sensor.kind,
                "at": _place(gain.change),
                "saved": {name: _spread(spread) for name, spread in gain.saved.items()},
                "words": sentence(gain, advice),
            }
            for gain in advice.gains
        ],
        "failed": list(advice.failed),
    }


def sentence(gain: Gain, advice: Advice) -> str:
    """What one change would do, and how sure that is."""
    spread, now = gain.saved[DARK], advice.now[DARK]
    what = _named(gain.change)
    who = capitalised(what) if gain.change.added else f"Without {gain.change.sensor.id}"
    over = f"over {len(spread.values)} seeds" if len(spread.values) > 1 else "in one life"
    low, high = min(spread.values), max(spread.values)
    if max(abs(low), abs(high)) < 0.5:
        return f"{who}: no difference (less than half a dark minute a day {over})."
    if spread.sure and spread.mean > 0:
        verb = "would save" if gain.change.added else "you would even save"
        return f"{who} {verb} about {spread.mean:,.0f} of {now:,.0f} dark minutes a day ({_range(low, high)} {over})."
    if spread.sure:
        verb = "would cost" if gain.change.added else "there would be"
        more = f"about {-spread.mean:,.0f} more {_dark(spread.mean)} a day than {now:,.0f}"
        return f"{who} {verb} {more} ({_range(-high, -low)} {over})."
    least, most = (high, low) if high < 0 else (low, high)
    told = f"from {_more(-least)} to {_more(-most)} dark minutes a day {over}"
    if len(spread.values) < 2:
        return f"{who}: {_more(-low)} {_dark(low)} a day {over}."
    if low > 0 or high < 0:
        return f"{who}: probably {'fewer' if low > 0 else 'more'}, but not sure ({told}; more seeds would tell)."
    return f"{who}: within noise ({told})."


def _range(low: float, high: float) -> str:
    return f"between {low:,.0f} and {high:,.0f}"


def _more(minutes: float) -> str:
    """Minutes compared with now."""
    return f"{abs(minutes):,.0f} {'more' if round(minutes) > 0 else 'fewer'}" if round(minutes) else "no more"


def _dark(minutes: float) -> str:
    return "dark minute" if round(abs(minutes)) == 1 else "dark minutes"


def _lines(advice: Advice) -> Iterator[str]:
    now, count = advice.now, len(advice.seeds)
    length = f"{advice.days:g} day{'s' * (advice.days != 1)}"
    yield f"{advice.plan}: {count} simulated {'lives' if count != 1 else 'life'} of {length}, not your own log."
    yield f"As it is: {now[DARK]:,.0f} dark and {now[WASTED]:,.0f} wasted minutes a day in all rooms together (off with"
    yield f"somebody there, on with nobody), and {now[DOUBT]:.2f} bits of doubt about which rooms are occupied."
    for added, title in ((True, "Sensors to add"), (False, "Sensors to take away")):
        gains = [gain for gain in advice.gains if gain.change.added == added]
        if not gains:
            continue
        yield ""
        yield f"{title}, best first"
        for gain in gains[:SAID]:
            yield from wrap(sentence(gain, advice), WIDTH, initial_indent="  ", subsequent_indent="    ")
        if added:
            yield from _certainty(gains, now[DOUBT])
        yield ""
        yield from _table(gains)
    yield ""
    spread = " (mean +- half its 95 % interval over the seeds; * if that leaves out zero)" if count > 1 else ""
    yield f"Saved: dark minutes a day{spread},"
    yield "wasted minutes a day, bits of doubt, and log loss (nats), which falls only if the certainty gained is right."
    if count > 1:
        tried = len(advice.gains)
        yield f"Of {tried} changes, about {max(1, round(0.05 * tried))} would get a * by chance alone."
    else:
        yield "One life tells little; more seeds would tell."
    yield "Ask the people who live there before a sensor is added, most of all a camera or one where they sleep."
    for line in advice.failed:
        yield f"Not tried to the end: {line}"


def _certainty(gains: list[Gain], now: float) -> Iterator[str]:
    """The changes that take most doubt away, if any surely does."""
    sure = [gain for gain in gains if gain.saved[DOUBT].sure and gain.saved[DOUBT].mean > 0]
    best = sorted(sure, key=lambda gain: -gain.saved[DOUBT].mean)[:3]
    if best:
        told = ", ".join(f"{gain.change.sensor.id} {gain.saved[DOUBT].mean:.2f}" for gain in best)
        yield f"  Most certainty gained, of {now:.2f} bits of doubt: {told}."


def _table(gains: list[Gain]) -> list[str]:
    rows = []
    for gain in gains:
        spread = gain.saved[DARK]
        margin = f"+- {spread.margin:.1f}" if len(spread.values) > 1 else ""
        others = [f"{gain.saved[name].mean:.{digits}f}" for name, digits in ((WASTED, 1), (DOUBT, 3), (LOG_LOSS, 4))]
        rows.append([gain.change.sensor.id, f"{spread.mean:.1f}", margin, "*" if spread.sure else "", *others])
    head = ["Sensor", "dark", "", "", "wasted", "doubt", "log loss"]
    return [f"  {line}" for line in table(head, rows)]


def _named(change: Change) -> str:
    door, place = change.sensor.door, _place(change).replace("_", " ")
    return CALLED.get(change.sensor.kind, f"a {change.sensor.kind} at {{}}").format(leaf_name(door) if door else place)


def _place(change: Change) -> str:
    sensor = change.sensor
    return sensor.room or sensor.door or sensor.person or ""


def _spread(spread: Spread) -> dict[str, Any]:
    margin = spread.margin if len(spread.values) > 1 else None
    return {"mean": spread.mean, "margin_95": margin, "sure": spread.sure, "by_seed": list(spread.values)}
