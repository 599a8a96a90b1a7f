"""What README tells a newcomer holds: its example runs, its home and log are read, its commands and kinds are there."""

import json
import re
import shlex
from pathlib import Path

import pytest

from benchmarks import accuracy
from benchmarks.trust.homes import LIVED
from presence import Floorplan, Tracker, cli
from presence.events import read_log
from presence.floorplan import KINDS
from presence.replay import replay, to_json

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"`presence ([a-z]+)((?: [^`]*)?)`", README)
ACCURACY = re.findall(r"^    python benchmarks/accuracy\.py (.*)$", README, re.MULTILINE)


def block(language: str) -> str:
    """The one block of a language."""
    (found,) = re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    return str(found)


def test_the_first_example_runs_and_tells_who_is_there(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    names: dict[str, object] = {}
    exec(block("python"), names)
    assert capsys.readouterr().out
    belief = names["tracker"].belief  # type: ignore[attr-defined]
    assert sum(belief.at_home) == pytest.approx(1.0, abs=1e-12)
    assert belief.time == names["now"] + names["timedelta"](minutes=5)  # type: ignore[operator]


def test_the_home_and_the_log_are_read_without_a_fault_and_somebody_has_come_in(tmp_path: Path) -> None:
    (tmp_path / "home.yaml").write_text(block("yaml"), encoding="utf-8")
    home = Floorplan.load(tmp_path / "home.yaml")
    tracker = Tracker(home)
    for event in read_log(block("json").splitlines(), plan=home, strict=True):
        tracker.observe(event)
    assert tracker.belief.rooms["hall"] > 0.9


def test_the_table_of_sensors_has_every_kind_with_its_place_and_values() -> None:
    rows = re.findall(r"^\| `([a-z]+)`[^|]* \| (room|door|person) \| (.*) \|$", README, re.MULTILINE)
    told = {kind: (place, tuple(re.findall(r"`(\w+)`", values))) for kind, place, values in rows}
    assert told == {name: (kind.place, kind.values) for name, kind in KINDS.items()}


def test_the_table_of_commands_has_all_of_them() -> None:
    told = re.findall(r"^\| `presence ([a-z]+)", README, re.MULTILINE)
    assert {*told, "demo"} == set(cli.cli.commands)


@pytest.mark.parametrize(("command", "rest"), COMMANDS, ids=lambda text: text.strip())
def test_a_command_has_the_options_that_are_given_it(command: str, rest: str) -> None:
    known = {option for parameter in cli.cli.commands[command].params for option in parameter.opts}
    assert set(re.findall(r"--[a-z]+", rest)) <= known


@pytest.mark.parametrize("options", ACCURACY)
def test_a_command_that_makes_figures_scores_as_many_homes_as_are_told(options: str) -> None:
    given = accuracy._options(shlex.split(options))
    lived = [variant for variant in given.variants if variant in LIVED]
    homes = given.seeds * len(given.plans) * len(given.people) * len(lived)
    assert re.search(rf"\b{homes}\b", README)


def test_lines_of_a_replay_have_what_is_told_of_them() -> None:
    (told,) = re.findall(r"^A replay prints two kinds of lines\. (.*?)\n\n", README, re.MULTILINE | re.DOTALL)
    plan = Floorplan.load(ROOT / "floorplans" / "two_storey_garage.yaml")
    lines = [json.loads(to_json(line)) for line in replay(plan, read_log(ROOT / "demo" / "garage_evening.jsonl"))]
    there = {line["kind"] for line in lines} | {key for line in lines for key in line}
    assert {word for word in re.findall(r"`([^`]*)`", told) if not word.startswith("-")} <= there


def test_what_it_points_to_is_there() -> None:
    named = re.findall(r"(?:floorplans|demo|benchmarks)/[a-z_]*(?:\.[a-z]+)?", README)
    assert len(named) > 5
    assert all((ROOT / name).exists() for name in named)
