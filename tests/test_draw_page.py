"""The page as a file: self-contained, escaped, the same bytes each time; and the command that writes it."""

import base64
import hashlib
import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from presence import cli
from presence.draw.encoding import runs
from presence.draw.levels import STEPS, levels
from presence.draw.page import page
from presence.draw.recording import recording
from presence.events import Event, read_log
from presence.floorplan import Floorplan
from presence.learned import apply, read_learned, write_learned
from presence.settings import Settings

ROOT = Path(__file__).parents[1]
GARAGE = ROOT / "floorplans/two_storey_garage.yaml"
EVENING = ROOT / "demo/garage_evening.jsonl"


class Parsed(HTMLParser):
    """A page as the standard library's parser sees it: elements, attributes, text of scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.within = ""
        self.texts: list[tuple[str, str]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self.within = tag

    def handle_endtag(self, tag: str) -> None:
        self.within = ""

    def handle_data(self, data: str) -> None:
        self.texts.append((self.within, data))

    def inside(self, tag: str) -> list[str]:
        return [text for name, text in self.texts if name == tag]


def data_of(text: str) -> dict:
    """The JSON value in a page."""
    found = [t for t in Parsed(text).inside("script") if t.startswith("{")]
    assert len(found) == 1
    return json.loads(found[0])


@pytest.fixture(scope="module")
def evening() -> str:
    plan = Floorplan.load(GARAGE)
    return page(plan, read_log(EVENING, plan=plan), log=str(EVENING))


def test_the_page_fetches_nothing(evening: str) -> None:
    assert not re.findall(r"(?i)\b(?:https?|wss?|ftp|blob):", evening)
    assert not re.findall(r"(?i)@import|\bfetch\(|XMLHttpRequest|WebSocket|EventSource|sendBeacon|import\(", evening)
    assert set(re.findall(r"url\(([^)]*)\)", evening)) <= {"#hatching", "#clip${index}"}
    for tag, attributes in Parsed(evening).elements:
        assert tag not in {"link", "img", "iframe", "object", "embed", "base", "audio", "video", "source", "use"}
        for key in ("src", "srcset", "data", "action", "formaction", "poster", "background", "style"):
            assert key not in attributes
        assert str(attributes.get("href", "#")).startswith("#")
        assert not [key for key in attributes if key.startswith("on")]


def test_the_policy_allows_this_script_and_style_alone(evening: str) -> None:
    parsed = Parsed(evening)
    policy = next(str(a["content"]) for _, a in parsed.elements if a.get("http-equiv") == "Content-Security-Policy")
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    for directive, text in (("script-src", parsed.inside("script")[-1]), ("style-src", parsed.inside("style")[0])):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert rules[directive] == f"'sha256-{digest}'"


def test_no_script_makes_markup_of_text(evening: str) -> None:
    assert not re.findall(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function", evening)


def test_the_same_log_gives_the_same_page(evening: str) -> None:
    plan = Floorplan.load(GARAGE)
    assert page(plan, read_log(EVENING, plan=plan), log=str(EVENING)) == evening


TRICKY = [
    "</script><script>alert(1)</script>",
    "<!--<script>",
    "]]>",
    "\"'`${1}&amp;<b>",
    "\u2028\u2029",
    "👩‍👧 wörk",
    "\u202eright to left",
    "$data",
    "{{x}}",
]
words = st.one_of(st.sampled_from(TRICKY), st.text(st.characters(codec="utf-8"), min_size=1, max_size=30))


def home(label: str, name: str = "home") -> Floorplan:
    return Floorplan.from_mapping(
        {
            "name": name,
            "time_zone": "Europe/Berlin",
            "rooms": {"hall": {"label": label}, "den": {"rest": True}},
            "doors": {
                "front": {"between": ["hall", "away"], "leaf": "hinged"},
                "arch": {"between": ["hall", "den"], "leaf": "none"},
            },
            "sensors": {"m": {"kind": "motion", "room": "hall", "hold": 20}},
            "people": {"P1": {"bed": "den"}},
        }
    )


@given(words, words)
@settings(max_examples=60)
def test_names_are_data(label: str, name: str) -> None:
    plan = home(label, name)
    text = page(plan, log=name)
    expected, parsed = Parsed(page(home("x", "x"))), Parsed(text)
    assert parsed.elements[1:] == expected.elements[1:]  # the first may differ in nothing; none is added
    assert (data_of(text)["name"], data_of(text)["rooms"][0]["name"]) == (plan.name, plan.rooms["hall"].label)


# --- levels -----------------------------------------------------------------------------------------------------------
def test_levels_of_a_rectangle_are_even() -> None:
    found = levels(((0.0, 1.0), (4.0, 1.0), (4.0, 3.0), (0.0, 3.0)))
    assert found == pytest.approx([1 + 2 * k / STEPS for k in range(STEPS + 1)], abs=1e-9)


def test_levels_of_a_triangle_on_its_tip_grow_as_the_root() -> None:
    found = levels(((0.0, 0.0), (2.0, 5.0), (-2.0, 5.0)))  # area below y: proportional to y squared
    assert found == pytest.approx([5 * math.sqrt(k / STEPS) for k in range(STEPS + 1)], abs=1e-9)


def test_levels_of_a_room_with_two_legs() -> None:
    """A U of three unit squares below and above: two legs of height 1, then a bar of 3 by 1; half its area is 2.5."""
    u = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (2.0, 1.0), (2.0, 0.0), (3.0, 0.0), (3.0, 2.0), (0.0, 2.0))
    assert levels(u)[STEPS // 2] == pytest.approx(1 + 0.5 / 3, abs=1e-9)


def test_levels_of_an_outline_that_crosses_itself_rise() -> None:
    found = levels(((0.0, 0.0), (4.0, 3.0), (4.0, 0.0), (0.0, 3.0)))
    assert found == sorted(found)
    assert (found[0], found[-1]) == (0.0, 3.0)


# --- the command ------------------------------------------------------------------------------------------------------
def written(tmp_path: Path, *lines: str) -> Path:
    log = tmp_path / "log.jsonl"
    log.write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    return log


def test_a_plan_is_drawn_without_a_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "plan.html"
    assert cli.run(["draw", str(GARAGE), "--out", str(out)]) == 0
    data = data_of(out.read_text(encoding="utf-8"))
    assert data["replay"] is None
    assert len(data["rooms"]) == 17
    assert capsys.readouterr() == ("", "")


def test_a_log_without_events_is_a_fault_and_its_page_an_empty_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, log = tmp_path / "page.html", written(tmp_path)
    assert cli.run(["draw", str(GARAGE), str(log), "--out", str(out)]) == 2
    assert f"{log}:1: the log is empty" in capsys.readouterr().err
    replayed = data_of(out.read_text(encoding="utf-8"))["replay"]
    assert (replayed["told"], replayed["passages"], replayed["events"]) == (0, [], "")


def test_bad_lines_are_named_and_the_page_is_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "page.html"
    good = EVENING.read_text(encoding="utf-8").splitlines()
    log = written(tmp_path, good[0], "nonsense", *good[1:])
    assert cli.run(["draw", str(GARAGE), str(log), "--out", str(out)]) == 2
    assert f"{log}:2: " in capsys.readouterr().err
    assert data_of(out.read_text(encoding="utf-8"))["replay"]["told"] > 100


@pytest.mark.parametrize("given_", ["plan", "log", "truth"])
def test_no_input_is_written_over(tmp_path: Path, given_: str, capsys: pytest.CaptureFixture[str]) -> None:
    files = {"plan": tmp_path / "plan.yaml", "log": tmp_path / "log.jsonl", "truth": tmp_path / "truth.jsonl"}
    files["plan"].write_bytes(GARAGE.read_bytes())
    files["log"].write_bytes(EVENING.read_bytes())
    files["truth"].write_text('{"time": "2026-01-14T00:00:00+00:00", "person": "ada", "room": "hall"}\n')
    before = files[given_].read_bytes()
    (tmp_path / "link.html").symlink_to(files[given_])
    arguments = [str(files["plan"]), str(files["log"]), "--truth", str(files["truth"])]
    assert cli.run(["draw", *arguments, "--out", str(tmp_path / "link.html")]) == 2
    assert "cannot be written to" in capsys.readouterr().err
    assert files[given_].read_bytes() == before


def test_what_was_learned_is_shown(tmp_path: Path) -> None:
    plan, learned, pages = Floorplan.load(GARAGE), tmp_path / "learned.json", []
    write_learned(learned, plan, apply(plan, Settings(rising_rate=0.02), {}, {}, {}))
    for options in ([], ["--learned", str(learned)]):
        out = tmp_path / "page.html"
        assert cli.run(["draw", str(GARAGE), str(EVENING), *options, "--out", str(out)]) == 0
        pages.append(data_of(out.read_text(encoding="utf-8"))["replay"]["columns"])
    other = read_learned(learned, plan)
    lines = recording(other.plan, read_log(EVENING, plan=plan), settings=other.settings)
    assert pages[1] == runs(lines.columns) != pages[0]


def test_a_truth_needs_a_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    truth = tmp_path / "truth.jsonl"
    assert cli.run(["draw", str(GARAGE), "--truth", str(truth), "--out", str(tmp_path / "page.html")]) == 2
    assert f"{truth}:0: " in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["draw", str(GARAGE), "--out", str(tmp_path / "missing" / "page.html")]) == 2
    said = capsys.readouterr().err
    assert "missing" in said
    assert "one that exists would be right" in said


def test_times_of_a_summer_evening_are_local() -> None:
    """Clocks in Berlin went forward on 29 March 2026 at 01:00 UTC (EU Directive 2000/84/EC, article 2)."""
    from datetime import UTC, datetime

    first, last = datetime(2026, 3, 28, 23, tzinfo=UTC), datetime(2026, 3, 29, 3, tzinfo=UTC)
    events = [Event(first, "m", "detected"), Event(last, "m", "clear")]
    offsets = data_of(page(home("hall"), events))["replay"]["offsets"]
    assert offsets[:2] == [[0, 3600], [2 * 3600 * 1000, 7200]]
