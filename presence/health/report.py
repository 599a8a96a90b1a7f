"""What is wrong with which sensor, as text for people and as JSON for programs."""

from __future__ import annotations

import json
from datetime import UTC, datetime, tzinfo
from textwrap import wrap

from presence.errors import counted
from presence.floorplan import Floorplan
from presence.health.findings import Finding, local
from presence.health.review import Review
from presence.health.silence import FIRST_DAYS

WIDTH = 100
"""Characters in a line of evidence."""


def text(review: Review, plan: Floorplan) -> str:
    """A review as a page of text."""
    if review.begin is None or review.end is None:
        return "The log is empty: nothing can be said about the sensors.\n"
    span = f"{_day(review.begin, plan.zone)} to {_day(review.end, plan.zone)}, {counted(review.events, 'event')}"
    lines = [f"{counted(len(plan.sensors), 'sensor')}, {span}", ""]
    lines += _section("Probably wrong", review.findings, plan.zone)
    lines += _section("Was probably wrong for a while", review.over, plan.zone)
    if not review.findings and not review.over:
        lines.append("No sensor looks sick.")
    if (review.end - review.begin).total_seconds() < FIRST_DAYS:
        lines.append("The log is short: in the first week only clear cases are named.")
    return "\n".join(lines).rstrip() + "\n"


def to_json(review: Review) -> str:
    """A review as JSON; `until` is null while a sensor has not come back."""
    return json.dumps(
        {
            "from": _utc(review.begin),
            "to": _utc(review.end),
            "events": review.events,
            "findings": [_fields(finding) for finding in (*review.findings, *review.over)],
        },
        indent=2,
    )


def _section(title: str, findings: tuple[Finding, ...], zone: tzinfo) -> list[str]:
    if not findings:
        return []
    lines = [f"{title}:"]
    for finding in findings:
        until = "" if finding.until is None else f" until {local(finding.until.timestamp(), zone)}"
        lines += [
            f"  {finding.sensor}  {finding.meaning} ({finding.kind}, probability {finding.probability:.3f})",
            f"    since {local(finding.since.timestamp(), zone)}{until}",
            *wrap(finding.evidence, WIDTH, initial_indent="    ", subsequent_indent="    "),
        ]
    return [*lines, ""]


def _fields(finding: Finding) -> dict[str, object]:
    return {
        "sensor": finding.sensor,
        "kind": finding.kind,
        "meaning": finding.meaning,
        "probability": round(finding.probability, 6),
        "since": _utc(finding.since),
        "until": _utc(finding.until),
        "evidence": finding.evidence,
    }


def _day(time: datetime, zone: tzinfo) -> str:
    return f"{time.astimezone(zone):%Y-%m-%d %H:%M}"


def _utc(time: datetime | None) -> str | None:
    return None if time is None else time.astimezone(UTC).isoformat(timespec="seconds")
