"""The command: exit status, one line a fault, no traceback, streaming."""

import errno
import json
import os
import re
import resource
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import fields
from functools import partial
from pathlib import Path
from typing import Any

import pytest

import presence
from presence import cli, cli_source
from presence.batch import MAKING
from presence.permitted import WITH_NAMES
from presence.settings import Settings
from presence.simulate import SimulationSettings

PLAN = """\
name: two rooms
time_zone: Europe/Berlin
rooms:
  hall: {}
  den: {rest: true}
doors:
  front: {between: [hall, away], leaf: hinged}
  arch: {between: [hall, den], leaf: none}
sensors:
  front_contact: {kind: contact, door: front}
  hall_motion: {kind: motion, room: hall, hold: 20}
  den_motion: {kind: motion, room: den, hold: 20}
people:
  P1: {bed: den}
"""
LOG = [
    ("2026-03-01T12:00:05+00:00", "front_contact", "open"),
    ("2026-03-01T12:00:08.250+00:00", "hall_motion", "detected"),
    ("2026-03-01T12:00:09+00:00", "front_contact", "closed"),
    ("2026-03-01T13:00:40+01:00", "den_motion", "detected"),
    ("2026-03-01T12:30:00+00:00", "den_motion", "clear"),
]
TRUTH = [
    ("2026-03-01T11:00:00+00:00", "P1", "away"),
    ("2026-03-01T12:00:07+00:00", "P1", "hall"),
    ("2026-03-01T12:00:38+00:00", "P1", "den"),
]

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(presence.__file__).parents[1])}
"""Processes started elsewhere find the package that is tested, installed or not."""

Run = Callable[..., tuple[int, str, str]]


def event_line(time: str, sensor: str, value: str) -> str:
    return json.dumps({"time": time, "sensor": sensor, "value": value})


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A folder with a plan, a log and its truth."""
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "log.jsonl").write_text("".join(event_line(*e) + "\n" for e in LOG), encoding="utf-8")
    truth = (json.dumps({"time": t, "person": p, "room": r}) + "\n" for t, p, r in TRUTH)
    (tmp_path / "truth.jsonl").write_text("".join(truth), encoding="utf-8")
    return tmp_path


WRITTEN = ("log.jsonl", "truth.jsonl")
FILES = (("plan", "yaml"), ("log", "jsonl"), ("truth", "jsonl"))


@pytest.fixture
def run(home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs a command in the folder: exit status, standard output, standard error."""
    monkeypatch.chdir(home)

    def command(*arguments: str) -> tuple[int, str, str]:
        status = cli.run(arguments)
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return status, captured.out, captured.err

    return command


def process(*arguments: str, **options: object) -> subprocess.Popen[str]:
    """The command as a process of its own."""
    command = [sys.executable, "-m", "presence", *arguments]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    return subprocess.Popen(command, text=True, env=ENVIRONMENT, **pipes, **options)


# --- check -----------------------------------------------------------------------------------------------------------
def test_check_counts_what_a_good_plan_has(run: Run) -> None:
    status, out, err = run("check", "plan.yaml")
    assert (status, err) == (0, "")
    assert out == "plan.yaml: good: 2 rooms, 2 doors, 3 sensors, 1 person\n"


def test_check_doubts_a_plan_in_centimetres_and_calls_it_good(run: Run, home: Path) -> None:
    plan = PLAN.replace("hall: {}", "hall: {outline: [[0, 0], [200, 0], [200, 200], [0, 200]]}")
    (home / "large.yaml").write_text(plan, encoding="utf-8")
    status, out, err = run("check", "large.yaml")
    assert (status, len(err.splitlines())) == (0, 1)
    assert out.startswith("large.yaml: good: ")
    assert re.match(r'large\.yaml:[1-9]\d*: room "hall": `outline` encloses 40,000 m2; .*centimetres', err)


def test_check_names_every_fault_at_once(run: Run, home: Path) -> None:
    bad = PLAN.replace("room: den, hold: 20", "room: dan, hold: 20").replace("bed: den", "bed: attic")
    (home / "bad.yaml").write_text(bad, encoding="utf-8")
    status, out, err = run("check", "bad.yaml")
    assert (status, out) == (2, "")
    lines = err.splitlines()
    assert len(lines) == 2
    assert {line.split(": ")[0] for line in lines} == {"bad.yaml:12", "bad.yaml:14"}
    assert "den" in err  # what would be right


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (["when,device,state", "2026-03-01 12:00,hall,on"], "a first line time,sensor,value"),
        (['{"ts": 1, "entity": "hall"}'] * 2, "'time' is missing"),
        ([event_line(LOG[0][0], "porch_eye", "detected")] * 2, 'unknown sensor "porch_eye"'),
    ],
)
def test_of_a_log_without_a_good_line_it_is_said_at_last_what_is_wrong(
    run: Run, home: Path, lines: list[str], says: str
) -> None:
    (home / "odd.log").write_text("".join(line + "\n" for line in lines * 300), encoding="utf-8")
    status, out, err = run("replay", "plan.yaml", "odd.log")
    *each, _, last = err.splitlines()
    assert (status, out) == (2, "")
    assert [line.split(": ")[0] for line in each] == [f"odd.log:{n}" for n in range(1, 601)]  # none is silently lost
    assert last.startswith("odd.log: not one line could be read; ")
    assert says in last
    good = event_line(*LOG[0])
    (home / "odd.log").write_text(f"{good}\n{lines[-1]}\n{lines[-1]}\n", encoding="utf-8")
    assert "not one" not in run("replay", "plan.yaml", "odd.log")[2]


def test_a_sensor_that_never_spoke_in_a_day_is_named(run: Run, home: Path) -> None:
    """A phone that was never set up tells nothing; who only reads the answers would not notice."""
    phones = "  ann_phone: {kind: phone, person: P1}\n  den_radar: {kind: occupancy, room: den}\n"
    (home / "plan.yaml").write_text(PLAN.replace("people:", f"{phones}people:"), encoding="utf-8")
    short = run("replay", "plan.yaml", "log.jsonl", "--every", "3600")
    assert (short[0], short[2]) == (0, "")
    with (home / "log.jsonl").open("a", encoding="utf-8") as log:
        log.write(event_line("2026-03-02T13:00:00+00:00", "hall_motion", "detected") + "\n")
    status, _, err = run("replay", "plan.yaml", "log.jsonl", "--every", "3600")
    assert status == 0
    assert err == "log.jsonl: never heard from ann_phone, den_radar; without them less is known\n"


@pytest.mark.parametrize(
    ("command", "unreadable"),
    [
        ("check PLAN", "plan.yaml"),
        ("replay PLAN LOG", "plan.yaml log.jsonl"),
        ("evaluate PLAN LOG TRUTH", "plan.yaml log.jsonl truth.jsonl"),
        ("simulate PLAN --days 1 --out made", "plan.yaml"),
        ("learn PLAN LOG --out made", "plan.yaml log.jsonl"),
        ("draw PLAN LOG --out made", "plan.yaml log.jsonl"),
        ("health PLAN LOG", "plan.yaml log.jsonl"),
        ("smooth PLAN LOG", "plan.yaml log.jsonl"),
        ("advise PLAN", "plan.yaml"),
    ],
)
def test_files_that_may_not_be_read_are_named_as_any_fault(
    run: Run, monkeypatch: pytest.MonkeyPatch, command: str, unreadable: str
) -> None:
    """Files of mode 000 in a folder of mode 000, as whoever is not root finds them."""
    names = unreadable.split()

    def refusing(usual: Callable[..., Any]) -> Callable[..., Any]:
        def refuse(path: Any, *arguments: Any, **options: Any) -> Any:
            if str(path) in names:
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
            return usual(path, *arguments, **options)

        return refuse

    monkeypatch.setattr("builtins.open", refusing(open))
    monkeypatch.setattr(Path, "stat", refusing(Path.stat))
    monkeypatch.setattr(os, "access", lambda path, mode, **_: str(path) not in names)
    words = command.replace("PLAN", "plan.yaml").replace("LOG", "log.jsonl").replace("TRUTH", "truth.jsonl").split()
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert [line.split(": ")[0] for line in err.splitlines()] == [f"{name}:0" for name in names]
    assert err.count("(Permission denied)") == len(names)


# --- faults of the command line ---------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "arguments",
    [
        ("nonsense",),
        ("replay", "plan.yaml"),
        ("replay", "plan.yaml", "log.jsonl", "--every", "often"),
        ("replay", "plan.yaml", "log.jsonl", "--every", "0"),
        ("replay", "plan.yaml", "log.jsonl", "--every", "nan"),
        ("replay", "plan.yaml", "log.jsonl", "--hypotheses", "0"),
        ("replay", "plan.yaml", "log.jsonl", "--learned", "learned.json"),
        ("replay", "nowhere.yaml", "log.jsonl"),
        ("replay", "plan.yaml", "nowhere.jsonl"),
        ("replay", "plan.yaml", "."),
        ("check", "."),
        ("evaluate", "plan.yaml", "log.jsonl", "nowhere.jsonl"),
        ("simulate", "plan.yaml", "--days", "0", "--out", "made"),
    ],
)
def test_a_fault_of_the_input_is_one_clear_line(run: Run, arguments: tuple[str, ...]) -> None:
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(("arguments", "command"), [(("nonsense",), "presence"), (("replay",), "presence replay")])
def test_whoever_errs_is_shown_to_the_help_of_their_command(run: Run, arguments: tuple[str, ...], command: str) -> None:
    assert run(*arguments)[2].endswith(f"(see {command} --help)\n")


def test_help_names_the_options_and_version_the_program(run: Run) -> None:
    assert run("--version") == (0, "presence, version 0.1.0\n", "")
    status, out, _ = run("replay", "--help")
    assert status == 0
    assert "--associations" in out


def test_the_list_of_commands_says_of_each_what_it_does_without_breaking_off(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    status, out, _ = run("--help")
    lines = out.partition("Commands:\n")[2].splitlines()
    assert status == 0
    assert [line.split()[0] for line in lines] == sorted(cli.cli.commands)
    assert all(line.endswith(".") and not line.endswith("...") for line in lines)


def test_what_nobody_foresaw_is_one_line_and_status_1(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("division\nby zero")

    monkeypatch.setattr("presence.floorplan.Floorplan.load", fail)
    status, out, err = run("check", "plan.yaml")
    assert (status, out) == (1, "")
    assert err.startswith("presence: unexpected ZeroDivisionError: division by zero (")
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("kept", ["log.jsonl", "plan.yaml"])
def test_learning_does_not_write_over_what_it_reads(run: Run, home: Path, kept: str) -> None:
    before = (home / kept).read_bytes()
    status, out, err = run("learn", "plan.yaml", "log.jsonl", "--out", kept)
    assert (status, out) == (2, "")
    assert err.startswith(f"{kept}:0: is read and cannot be written to as well")
    assert (home / kept).read_bytes() == before


def test_what_was_learned_outlives_a_log_that_cannot_be_read(run: Run, home: Path) -> None:
    (home / "learned.json").write_text("of last month", encoding="utf-8")
    (home / "empty.jsonl").write_text("", encoding="utf-8")
    status, out, err = run("learn", "plan.yaml", "empty.jsonl", "--out", "learned.json")
    assert (status, out) == (2, "")
    assert "learned.json: not written" in err
    assert (home / "learned.json").read_text(encoding="utf-8") == "of last month"


def test_that_two_logs_tell_of_the_same_time_is_said(run: Run, home: Path) -> None:
    lines = (home / "log.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    (home / "again.jsonl").write_text("".join(lines[2:]), encoding="utf-8")
    status, _, err = run("learn", "plan.yaml", "again.jsonl", "log.jsonl", "--out", "learned.json")
    assert status == 0
    assert err.startswith("again.jsonl:0: tells of the same time as log.jsonl, which counts twice")
    assert (home / "learned.json").exists()


@pytest.mark.parametrize("command", ["draw", "simulate", "learn"])
def test_a_full_disk_spoils_nothing_that_stood_there(home: Path, command: str) -> None:
    """A limit on the size of files stands for the disk."""
    named = {"draw": ["page.html"], "simulate": ["out/log.jsonl", "out/truth.jsonl"], "learn": ["learned.json"]}[
        command
    ]
    old = {home / name: f"an older {name}" for name in named}
    for path, text in old.items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    before = sorted(home.rglob("*"))
    plan, log, out = str(home / "plan.yaml"), str(home / "log.jsonl"), str(next(iter(old)))
    arguments = {
        "draw": (plan, log, "--out", out),
        "simulate": (plan, "--days", "1", "--out", str(home / "out")),
        "learn": (plan, log, "--out", out),
    }[command]
    room = partial(resource.setrlimit, resource.RLIMIT_FSIZE, (300, 300))
    with process(command, *arguments, preexec_fn=room) as small:
        _, err = small.communicate(timeout=60)
    assert small.returncode == 1
    assert err.splitlines()[-1] == f"presence: {out}: File too large"
    assert {path: path.read_text(encoding="utf-8") for path in old} == old
    assert sorted(home.rglob("*")) == before


def test_what_is_written_to_a_link_stands_where_it_leads_and_a_pipe_takes_it_too(run: Run, home: Path) -> None:
    (home / "far").mkdir()
    (home / "page.html").symlink_to(home / "far" / "page.html")
    assert run("draw", str(home / "plan.yaml"), "--out", str(home / "page.html")) == (0, "", "")
    assert (home / "page.html").is_symlink()
    page = (home / "far" / "page.html").read_text(encoding="utf-8")
    with process("draw", str(home / "plan.yaml"), "--out", "/dev/stdout") as piped:
        assert piped.communicate(timeout=60) == (page, "")


def test_what_may_not_be_written_is_said_before_the_work(run: Run, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "presence.writing.os.access", lambda path, mode: mode != os.W_OK
    )  # who runs tests may write anywhere
    for command in (("draw", "plan.yaml", "log.jsonl"), ("learn", "plan.yaml", "log.jsonl")):
        status, out, err = run(*command, "--out", "made")
        assert (status, out) == (2, "")
        assert err.startswith("made:0: may not be written")


def test_a_file_that_fails_is_named(run: Run, home: Path) -> None:
    (home / "made").mkdir()
    (home / "made" / "log.jsonl").mkdir()
    status, out, err = run("simulate", "plan.yaml", "--days", "0.1", "--out", "made")
    assert (status, out, err) == (1, "", f"presence: {Path('made', 'log.jsonl')}: Is a directory\n")


def test_an_error_without_words_has_a_name(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def load(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(cli, "load", load)
    assert run("check", "plan.yaml") == (1, "", "presence: MemoryError\n")


@pytest.mark.parametrize(("day", "says"), [("2026-02-01", "ends before the log begins"), ("2026-04-01", "not shown")])
def test_a_truth_of_another_time_than_the_log_is_said(run: Run, home: Path, day: str, says: str) -> None:
    truth = (home / "truth.jsonl").read_text(encoding="utf-8")
    (home / "other.jsonl").write_text(truth.replace("2026-03-01", day), encoding="utf-8")
    assert run("draw", "plan.yaml", "log.jsonl", "--truth", "truth.jsonl", "--out", "page.html") == (0, "", "")
    status, _, err = run("draw", "plan.yaml", "log.jsonl", "--truth", "other.jsonl", "--out", "page.html")
    assert (status, len(err.splitlines())) == (0, 1)
    assert err.startswith("other.jsonl:")
    assert says in err


def test_interrupted_quietly(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("presence.floorplan.Floorplan.load", interrupt)
    status, out, err = run("check", "plan.yaml")
    assert (status, out, err.strip()) == (130, "", "")


# --- replay ----------------------------------------------------------------------------------------------------------
def test_replay_prints_the_lines_of_the_contract(run: Run) -> None:
    status, out, err = run("replay", "plan.yaml", "log.jsonl", "--every", "600", "--associations")
    assert (status, err) == (0, "")
    lines = [json.loads(line) for line in out.splitlines()]
    assert {line["kind"] for line in lines} == {"occupancy", "passage", "association"}
    assert [line["time"][11:16] for line in lines if line["kind"] == "occupancy"] == ["12:10", "12:20"]
    finals = [line["final"] for line in lines if line.get("door") == "front"]
    assert finals[0] is False
    assert finals[-1] is True


def test_offsets_do_not_move_an_event(run: Run, home: Path) -> None:
    text = (home / "log.jsonl").read_text(encoding="utf-8")
    (home / "utc.jsonl").write_text(text.replace("T13:00:40+01:00", "T12:00:40+00:00"), encoding="utf-8")
    assert run("replay", "plan.yaml", "log.jsonl") == run("replay", "plan.yaml", "utc.jsonl")


def test_bad_lines_are_named_and_skipped_and_the_rest_is_done(run: Run, home: Path) -> None:
    good = (home / "log.jsonl").read_text(encoding="utf-8").splitlines()
    bad = [
        "{nonsense",
        event_line("2026-03-01T12:00:01+00:00", "doorbell", "pressed"),
        event_line("2026-03-01T12:00:01+00:00", "hall_motion", "purple"),
        event_line("2026-03-01T12:00:01", "hall_motion", "detected"),
    ]
    (home / "mixed.jsonl").write_text("\n".join([*bad, *good]) + "\n", encoding="utf-8")
    status, out, err = run("replay", "plan.yaml", "mixed.jsonl")
    assert status == 2
    assert out == run("replay", "plan.yaml", "log.jsonl")[1]
    *named, summary = err.splitlines()
    assert [line.split(": ")[0] for line in named] == [f"mixed.jsonl:{n}" for n in (1, 2, 3, 4)]
    assert "4 bad lines" in summary


def test_strict_stops_at_the_first_bad_line_and_keeps_what_was_good(run: Run, home: Path) -> None:
    good = (home / "log.jsonl").read_text(encoding="utf-8").splitlines()
    (home / "mixed.jsonl").write_text("\n".join([*good, "{nonsense", *good]) + "\n", encoding="utf-8")
    status, out, err = run("replay", "plan.yaml", "mixed.jsonl", "--strict")
    assert status == 2
    assert '"door": "front"' in out
    assert [line.split(": ")[0] for line in err.splitlines()] == ["mixed.jsonl:6"]


@pytest.mark.parametrize("content", [b"", b"\x00\xff\xfe\x80" * 5000, b"\n\n\n", b"[" * 100_000])
def test_files_that_are_no_logs_give_no_traceback(run: Run, home: Path, content: bytes) -> None:
    (home / "odd.jsonl").write_bytes(content)
    status, out, err = run("replay", "plan.yaml", "odd.jsonl")
    assert out == ""
    assert status == 2
    assert all(line.startswith("odd.jsonl:") for line in err.splitlines())


@pytest.mark.parametrize("log", ["-", "/dev/stdin"])
def test_standard_input_streams(home: Path, log: str) -> None:
    """By whatever path it comes, no line waits for the next event."""
    running = process("replay", "plan.yaml", log, "--associations", cwd=home)
    watchdog = threading.Timer(120.0, running.kill)  # a line that waits would never come
    watchdog.start()
    assert running.stdin is not None
    assert running.stdout is not None
    assert running.stderr is not None
    for event in LOG[:4]:
        running.stdin.write(event_line(*event) + "\n")
    running.stdin.flush()
    told = [running.stdout.readline() for _ in range(5)]  # answered while more input may come
    first, *_, last = map(json.loads, told)
    assert (first["kind"], first["door"], first["final"]) == ("passage", "front", False)
    assert (last["kind"], last["sensor"], last["value"]) == ("association", "front_contact", "closed")
    running.stdin.write(event_line(*LOG[4]) + "\n")
    running.stdin.close()
    rest = running.stdout.read()  # communicate() would lose what readline() has buffered
    running.stdout.close()
    with running.stderr as err:
        assert err.read() == ""
    assert running.wait() == 0
    watchdog.cancel()
    whole = subprocess.run(
        [sys.executable, "-m", "presence", "replay", "plan.yaml", "log.jsonl", "--associations"],
        cwd=home, env=ENVIRONMENT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert whole.stdout.splitlines() == [*map(str.rstrip, told), *rest.splitlines()]


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_a_stream_that_is_closed_from_the_start_is_an_empty_one(home: Path, closed: str) -> None:
    """As a hub's service manager may start it."""
    script = f'"$0" -m presence check plan.yaml {closed}; echo "status $?" >status'
    done = subprocess.run(
        ["sh", "-c", script, sys.executable], cwd=home, env=ENVIRONMENT, capture_output=True, text=True, check=True
    )
    assert done.stderr == ""
    assert (home / "status").read_text() == "status 0\n"


@pytest.mark.parametrize("is_terminal", [True, False])
def test_progress_is_told_on_a_terminal_only_and_taken_away(
    run: Run, monkeypatch: pytest.MonkeyPatch, *, is_terminal: bool
) -> None:
    monkeypatch.setattr(cli_source, "PATIENCE", -1.0)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: is_terminal)
    status, out, err = run("replay", "plan.yaml", "log.jsonl")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: False)
    assert (status, out) == run("replay", "plan.yaml", "log.jsonl")[:2]
    told = err.split("\r")
    assert told[0] == ""
    if is_terminal:
        assert [sign.split(",")[0] for sign in told[1:]] == [*(f"{n} events" for n in range(1, 6)), "\x1b[K"]
        assert told[5] == "5 events, up to 2026-03-01 12:30\x1b[K"
    else:
        assert len(told) == 1


@pytest.mark.parametrize("reader", ["has left", "is full"])
def test_a_reader_of_complaints_that_is_gone_takes_neither_answers_nor_the_status(home: Path, reader: str) -> None:
    """As in `presence replay PLAN LOG 2>&1 >answers | head -1`."""
    (home / "bad.jsonl").write_text("\n".join(["what", event_line(*LOG[0]), "is", "this", event_line(*LOG[1])]))
    told = subprocess.run(
        [sys.executable, "-m", "presence", "replay", "plan.yaml", "bad.jsonl"],
        cwd=home, env=ENVIRONMENT, capture_output=True, text=True,
    )  # fmt: skip
    if reader == "has left":
        left, complaints = os.pipe()
        os.close(left)
    else:
        complaints = os.open("/dev/full", os.O_WRONLY)
    done = subprocess.run(told.args, cwd=home, env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=complaints, text=True)
    os.close(complaints)
    assert len(told.stderr.splitlines()) == 4
    assert (done.returncode, done.stdout) == (told.returncode, told.stdout) == (2, told.stdout)
    assert '"passage"' in done.stdout


def test_a_reader_that_leaves_early_is_no_fault(home: Path) -> None:
    events = [("2026-03-01T12:00:05+00:00", "hall_motion", "detected"), ("2026-03-09T12:00:05+00:00", *LOG[1][1:])]
    (home / "long.jsonl").write_text("\n".join(event_line(*e) for e in events) + "\n", encoding="utf-8")
    running = process("replay", "plan.yaml", "long.jsonl", "--every", "10", cwd=home)
    assert running.stdin is not None
    assert running.stdout is not None
    assert running.stderr is not None
    running.stdout.readline()
    running.stdout.close()
    running.stdin.close()
    assert running.stderr.read() == ""
    running.stderr.close()
    assert running.wait() == 0


# --- evaluate --------------------------------------------------------------------------------------------------------
def test_evaluate_for_people_and_for_programs(run: Run) -> None:
    status, out, err = run("evaluate", "plan.yaml", "log.jsonl", "truth.jsonl", "--json")
    assert (status, err) == (0, "")
    found = json.loads(out)
    assert found["covered"]["samples"] == 29
    assert found["direction"]["passages"] == 2
    status, out, err = run("evaluate", "plan.yaml", "log.jsonl", "truth.jsonl")
    assert (status, err) == (0, "")
    assert "29 samples" in out


def test_evaluate_names_a_truth_that_covers_nothing(run: Run, home: Path) -> None:
    (home / "late.jsonl").write_text('{"time": "2027-01-01T00:00:00Z", "person": "P1", "room": "den"}\n', "utf-8")
    status, out, err = run("evaluate", "plan.yaml", "log.jsonl", "late.jsonl")
    assert (status, out) == (2, "")
    assert err.startswith("late.jsonl:")
    assert "no instant is covered" in err


def test_evaluate_names_faults_of_the_truth(run: Run, home: Path) -> None:
    lines = ['{"time": "2026-03-01T11:00:00Z", "person": "P1", "room": "attic"}', "nonsense"]
    (home / "bad.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    status, out, err = run("evaluate", "plan.yaml", "log.jsonl", "bad.jsonl")
    assert (status, out) == (2, "")
    assert err.startswith("bad.jsonl:1: ")


HOURS = [(f"2026-03-01T{hour:02d}:00:00+00:00", "den_motion", ("detected", "clear")[hour % 2]) for hour in range(1, 24)]


@pytest.mark.parametrize(
    ("lines", "notes"),
    [
        ([("01:00", "P1", "den")], ["1: ends long before the log does; scored up to its last line"]),
        ([("00:00", "P1", "den"), ("14:00", "P1", "away")], ["2: P1 goes from den to away at 2026-03-01T14:00:00"]),
        ([("07:00", "P1", "den"), ("20:00", "P1", "hall")], ["1: begins 6.0 h after the log; what came before is not"]),
        (
            [("01:00", "guest", "away"), ("09:00", "P1", "den"), ("20:00", "P1", "hall")],
            ["2: is the first line of P1; the 8.0 h before it are not scored"],
        ),
        (
            [
                ("01:00", "P1", "den"),
                ("02:00", "p1", "hall"),
                ("12:00", "p1", "away"),
                ("14:00", "P1", "hall"),
                ("23:00", "P1", "den"),
            ],
            ['2: "p1" is not in the plan and counts as a visitor; did you mean "P1"?'],
        ),
        (
            [("01:00", "P1", "den"), ("20:00", "P1", "hall"), ("14:00", "P1", "hall")],
            ["3: goes back in time: P1's line 2 is"],
        ),
        (
            [("01:00", "P1", "den"), ("14:00", "P1", "hall"), ("2026-03-02T23:59", "P1", "hall")],
            ["3: goes on for 25.1 h after the log; what"],
        ),
    ],
)
def test_what_is_odd_about_a_truth_is_named_with_its_line(
    run: Run, home: Path, lines: list[tuple[str, str, str]], notes: list[str]
) -> None:
    (home / "day.jsonl").write_text("".join(event_line(*e) + "\n" for e in HOURS), encoding="utf-8")
    stamps = [(t if "T" in t else f"2026-03-01T{t}") + ":00+00:00" for t, _, _ in lines]
    rows = [json.dumps({"time": t, "person": p, "room": r}) for t, (_, p, r) in zip(stamps, lines, strict=True)]
    (home / "odd.jsonl").write_text("\n".join(rows) + "\n", encoding="utf-8")
    status, out, err = run("evaluate", "plan.yaml", "day.jsonl", "odd.jsonl", "--json", "--every", "600")
    assert status == 0
    told = err.splitlines()
    assert len(told) == len(notes), told
    assert all(line.startswith(f"odd.jsonl:{note}") for line, note in zip(told, notes, strict=True)), told
    assert [f"{n['line']}: {n['text']}" for n in json.loads(out)["covered"]["notes"]] == [t[10:] for t in told]


def test_a_truth_in_another_zone_than_its_log_is_said_with_its_line(run: Run, home: Path) -> None:
    rows = [json.dumps({"time": t, "person": p, "room": r}).replace("+00:00", "Z") for t, p, r in TRUTH]
    (home / "same.jsonl").write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert run("evaluate", "plan.yaml", "log.jsonl", "same.jsonl")[2] == ""  # Z is +00:00
    shifted = [row.replace("T11", "T16").replace("T12", "T17").replace("Z", "+05:00") for row in rows]
    (home / "other.jsonl").write_text("\n".join(["", *shifted]) + "\n", encoding="utf-8")
    status, out, err = run("evaluate", "plan.yaml", "log.jsonl", "other.jsonl")
    assert (status, len(err.splitlines())) == (0, 1)
    assert err.startswith("other.jsonl:2: times here are at +05:00, in the log at +00:00/+01:00; each is taken as")
    assert "29 samples" in out  # the same instants


def test_zones_that_are_mixed_within_one_truth_are_said_unless_they_are_the_homes_own(run: Run, home: Path) -> None:
    """Clocks in Berlin go forward on the 29th of March; nobody's clock there is at +03:00 an hour later."""
    times = ["2026-03-28T12:00:00+01:00", "2026-03-29T12:00:00+02:00", "2026-03-29T14:00:00+03:00"]
    rows = [
        json.dumps({"time": t, "person": "P1", "room": r}) for t, r in zip(times, ("away", "hall", "den"), strict=True)
    ]
    events = [event_line(f"2026-03-29T{hour}:00:30+02:00", "hall_motion", "detected") for hour in (12, 13, 14)]
    (home / "day.jsonl").write_text("\n".join(events), encoding="utf-8")
    for lines, says in (
        (2, []),
        (3, ["odd.jsonl:3: times up to here are at +01:00/+02:00/+03:00; each is taken as the"]),
    ):
        (home / "odd.jsonl").write_text("\n".join(rows[:lines]) + "\n", encoding="utf-8")
        status, _, err = run("evaluate", "plan.yaml", "day.jsonl", "odd.jsonl", "--every", "600")
        assert status == 0
        assert [line[: len(text)] for line, text in zip(err.splitlines(), says, strict=True)] == says


def test_faults_of_all_files_are_told_at_once(run: Run, home: Path) -> None:
    (home / "bad.jsonl").write_text('{"time": "2026-03-01T11:00:00Z", "person": "P1", "room": "attic"}\n', "utf-8")
    with (home / "log.jsonl").open("a", encoding="utf-8") as file:
        file.write("nonsense\n")
    status, out, err = run("evaluate", "plan.yaml", "log.jsonl", "bad.jsonl")
    assert (status, out) == (2, "")
    assert [line.split(": ")[0] for line in err.splitlines()] == ["log.jsonl:6", "bad.jsonl:1"]
    assert [line.split(": ")[0] for line in run("evaluate", "plan.yaml", "nowhere", "bad.jsonl")[2].splitlines()] == [
        "nowhere:0",
        "bad.jsonl:1",
    ]
    (home / "plan.yaml").write_text(PLAN.replace("bed: den", "bed: attic"), encoding="utf-8")
    for command, names in (
        (("evaluate", "plan.yaml", "nowhere", "no.jsonl"), ["nowhere:0", "no.jsonl:0"]),
        (("evaluate", "plan.yaml", "log.jsonl", "bad.jsonl"), []),
        (("replay", "plan.yaml", "nowhere"), ["nowhere:0"]),
        (("replay", "plan.yaml", "-"), []),
        (("learn", "plan.yaml", "log.jsonl", "nowhere", "--out", "x.json"), ["nowhere:0"]),
    ):
        status, out, err = run(*command)
        assert (status, out) == (2, "")
        assert [line.split(": ")[0] for line in err.splitlines()] == ["plan.yaml:14", *names]


def test_an_empty_log_does_not_blame_the_truth(run: Run, home: Path) -> None:
    (home / "empty.jsonl").touch()
    status, out, err = run("evaluate", "plan.yaml", "empty.jsonl", "truth.jsonl")
    assert (status, out) == (2, "")
    assert [line.split(": ")[0] for line in err.splitlines()] == ["empty.jsonl:1", "empty.jsonl:0"]
    assert "P1" not in err


def test_a_misspelt_resident_is_named_where_nothing_is_covered(run: Run, home: Path) -> None:
    rows = [json.dumps({"time": t, "person": "p1", "room": r}) for t, _, r in TRUTH]
    (home / "odd.jsonl").write_text("\n".join(rows) + "\n", encoding="utf-8")
    status, out, err = run("evaluate", "plan.yaml", "log.jsonl", "odd.jsonl")
    assert (status, out) == (2, "")
    first, second = err.splitlines()
    assert first.startswith("odd.jsonl:1: no instant is covered by both")
    assert second.startswith('odd.jsonl:1: "p1" is not in the plan')


# --- simulate and demo -----------------------------------------------------------------------------------------------
def test_simulate_writes_a_log_that_can_be_replayed_and_scored(run: Run, home: Path) -> None:
    assert run("simulate", "plan.yaml", "--days", "1", "--seed", "3", "--out", "made")[0] == 0
    status, out, _ = run("evaluate", "plan.yaml", "made/log.jsonl", "made/truth.jsonl", "--json")
    assert status == 0
    assert json.loads(out)["covered"]["days"] > 0.7
    assert run("simulate", "plan.yaml", "--days", "1", "--seed", "3", "--out", "again")[0] == 0
    for name in WRITTEN:
        assert (home / "again" / name).read_bytes() == (home / "made" / name).read_bytes()


def test_simulate_never_replaces_a_log_in_silence(run: Run, home: Path) -> None:
    """Beside its plan stands what a home has recorded; elsewhere it is another life, which can be lived again."""
    before = (home / "log.jsonl").read_bytes()
    status, _, err = run("simulate", "plan.yaml", "--days", "0.1", "--out", ".")
    assert (status, err.split(" ")[0]) == (2, "log.jsonl:0:")
    assert (home / "log.jsonl").read_bytes() == before
    simulate = ("simulate", "plan.yaml", "--days", "0.1", "--out", "made")
    assert run(*simulate) == (0, "", "")
    status, _, err = run(*simulate, "--seed", "2")
    assert (status, [line.split(": ")[0] for line in err.splitlines()]) == (0, [f"made/{n}:0" for n in WRITTEN])
    (home / "log.jsonl").unlink()
    (home / "truth.jsonl").unlink()
    assert run("simulate", "plan.yaml", "--days", "0.1", "--seed", "2", "--out", ".") == (0, "", "")
    for name in WRITTEN:
        assert (home / name).read_bytes() == (home / "made" / name).read_bytes()


def test_simulate_does_not_replace_what_another_home_has_recorded(run: Run, home: Path) -> None:
    """Whose log it is tells the plan beside it; what was simulated there can be lived again."""
    (home / "other").mkdir()
    (home / "other/plan.yml").write_text(PLAN.replace("two rooms", "another"), encoding="utf-8")
    (home / "other/log.jsonl").write_text("recorded", encoding="utf-8")
    simulate = ("simulate", "plan.yaml", "--days", "0.1", "--out", "other")
    status, _, err = run(*simulate)
    assert (status, err.split(" ")[0]) == (2, "other/log.jsonl:0:")
    assert (home / "other/log.jsonl").read_text("utf-8") == "recorded"
    (home / "other/log.jsonl").unlink()
    assert run(*simulate) == (0, "", "")
    status, _, err = run(*simulate)
    assert (status, [line.split(": ")[0] for line in err.splitlines()]) == (0, [f"other/{n}:0" for n in WRITTEN])


def test_the_demo_tells_the_garage_story(run: Run) -> None:
    status, out, err = run("demo")
    assert (status, err) == (0, "")
    back = [line.split()[-3:] for line in out.splitlines() if "looking back" in line]  # in, out, nobody
    assert len(back) == 3
    coming_home, going_out, coming_back = (tuple(map(float, row)) for row in back)
    assert coming_home[0] > 0.9
    assert going_out[1] > 0.9
    assert coming_back[0] > 0.9
    lights = [line.split("light on in the ")[1] for line in out.splitlines() if "->" in line]
    assert [light.split()[0] for light in lights] == ["utility", "garage", "utility"]


def columns_told(run: Run, command: str) -> list[str]:
    """The columns of a table, by the help of a command."""
    words = " ".join(run(command, "--help")[1].split())
    return words.split("Columns of a table: ")[1].split(". ")[0].split(", ")


def test_the_help_of_simulate_names_every_column_of_a_table(run: Run) -> None:
    told = columns_told(run, "simulate")
    default = SimulationSettings()
    named = {f.name: isinstance(getattr(default, f.name), Mapping) for f in fields(default)}
    assert {*told} == {"home", "plan", *MAKING, *(name for name, many in named.items() if not many)} | {
        f"{name}.{'PERSON' if name == 'roles' else 'SENSOR'}" for name, many in named.items() if many
    }


def test_the_help_of_evaluate_names_every_column_of_a_table(run: Run, home: Path) -> None:
    """What settings may be given, the defaults' own table takes; so it scores as no table does."""
    told = columns_told(run, "evaluate")
    files = {"home": "as_ever", **{name: f"{name}.{end}" for name, end in FILES}}
    cells = {**files, "every": "60", "hypotheses": "16"}
    defaults = {f.name: getattr(Settings(), f.name) for f in fields(Settings) if f.name not in WITH_NAMES}
    for name, value in defaults.items():
        cells[name] = " ".join(map(repr, value)) if isinstance(value, tuple) else repr(value)
    assert told == list(cells)
    (home / "table.csv").write_text(f"{','.join(told)}\n{','.join(cells[name] for name in told)}\n", encoding="utf-8")
    status, out, err = run("evaluate", "table.csv", "--json", "--workers", "1")
    alone = run("evaluate", *(files[name] for name, _ in FILES), "--json")
    assert (status, err) == (0, "")
    assert json.loads(out.splitlines()[0])["scores"]["rooms"] == json.loads(alone[1])["rooms"]


# --- clocks that are ahead --------------------------------------------------------------------------------------------
def test_two_events_with_a_clock_ahead_are_left_out_of_a_file_and_named(home: Path, run: Run) -> None:
    """Else all that follow were too late, and a year was told minute by minute."""
    right = [event_line(f"2026-03-02T07:{minute:02}:00Z", "den_motion", "detected") for minute in range(20)]
    wrong = [event_line(f"2027-03-02T07:05:0{second}Z", "hall_motion", "detected") for second in (1, 2)]
    (home / "right.jsonl").write_text("\n".join(right), encoding="utf-8")
    (home / "wrong.jsonl").write_text("\n".join([*right[:5], *wrong, *right[5:]]), encoding="utf-8")
    expected = run("replay", "plan.yaml", "right.jsonl")
    status, out, err = run("replay", "plan.yaml", "wrong.jsonl")
    assert (expected[0], status, out) == (0, 2, expected[1])
    named = [line for line in err.splitlines() if "ahead of the line beside it" in line]
    assert [line.split(": ")[0] for line in named] == ["wrong.jsonl:6", "wrong.jsonl:7"]
    assert "2 too late or ahead" in err
