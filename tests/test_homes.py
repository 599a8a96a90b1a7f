"""Many homes on the command line: found, scored or made, with the same bytes wherever that was; a bad one is named."""

import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from presence import cli
from presence.errors import InputError
from presence.homes import Home, find_homes, is_many
from presence.settings import Settings
from presence.simulate import SimulationSettings
from tests.test_cli import LOG, PLAN, TRUTH, event_line

Run = Callable[..., tuple[int, str, str]]
ROOT = Path(__file__).parents[1]
SCORED = ("plan", "log", "truth")


def write_home(folder: Path, shift: int = 0) -> None:
    """A home whose people do the same, `shift` minutes later."""
    folder.mkdir(parents=True)
    (folder / "plan.yaml").write_text(PLAN, encoding="utf-8")
    later = [(t.replace(":00:", f":{shift:02d}:"), *rest) for t, *rest in LOG]
    (folder / "log.jsonl").write_text("".join(event_line(*e) + "\n" for e in later), encoding="utf-8")
    truth = (json.dumps({"time": t.replace(":00:", f":{shift:02d}:"), "person": p, "room": r}) for t, p, r in TRUTH)
    (folder / "truth.jsonl").write_text("\n".join(truth) + "\n", encoding="utf-8")


@pytest.fixture
def run(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs a command in a folder with `homes/`: a and b good, c with a bad line, d with a bad plan, e without a log."""
    for shift, name in enumerate("abcde"):
        write_home(tmp_path / "homes" / name, shift)
    with (tmp_path / "homes/c/log.jsonl").open("a", encoding="utf-8") as file:
        file.write("nonsense\n")
    (tmp_path / "homes/d/plan.yaml").write_text(PLAN.replace("bed: den", "bed: attic"), encoding="utf-8")
    (tmp_path / "homes/e/log.jsonl").unlink()
    monkeypatch.chdir(tmp_path)

    def command(*arguments: str) -> tuple[int, str, str]:
        status = cli.run(arguments)
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return status, captured.out, captured.err

    return command


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """The address of a scheduler on this machine."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=1, threads_per_worker=2, dashboard_address=":0") as running:
        yield running.scheduler_address


# --- evaluate --------------------------------------------------------------------------------------------------------
def test_a_bad_home_is_named_and_the_rest_is_scored(run: Run) -> None:
    status, out, err = run("evaluate", "homes", "--workers", "2")
    assert status == 2
    head, *rows = out.splitlines()
    assert head.split()[:3] == ["Home", "days", "bal."]
    assert [row.split()[0] for row in rows[:5]] == list("abcde")
    assert [row.endswith("not scored") for row in rows[:5]] == [False, False, False, True, True]
    assert rows[-1] == "3 of 5 homes scored"
    told = err.splitlines()
    assert told[0].startswith("homes/c/log.jsonl:6: is not JSON")
    assert told[1] == "homes/c/log.jsonl: 5 events read, 1 bad line skipped, 0 duplicates, 0 too late or ahead"
    assert told[2].startswith("homes/d/plan.yaml:14: ")
    assert told[3].startswith("homes/e/log.jsonl:0: is missing")
    assert len(told) == 4


def test_the_same_bytes_wherever_it_runs(run: Run, cluster: str, tmp_path: Path) -> None:
    alone = run("evaluate", "homes", "--json", "--workers", "1")
    assert run("evaluate", "homes", "--json", "--scheduler", cluster) == alone
    assert run("evaluate", *(f"homes/{name}" for name in "abcde"), "--json", "--workers", "2") == alone
    making = ("simulate", "homes/a", "--days", "0.5", "--seeds", "3,5")
    alone = run(*making, "--out", "pool", "--workers", "2")
    assert run(*making, "--out", "cluster", "--scheduler", cluster) == alone
    made = sorted(path.relative_to("pool") for path in Path("pool").rglob("*.*"))
    assert len(made) == 2 * 3
    for path in made:
        assert (Path("cluster") / path).read_bytes() == (Path("pool") / path).read_bytes()


def test_json_holds_what_each_home_has_alone_and_percentiles(run: Run) -> None:
    status, out, _ = run("evaluate", "homes/[abd]", "--json", "--workers", "1")
    a, b, d, summary = map(json.loads, out.splitlines())
    assert status == 2
    assert a["scores"] == json.loads(run("evaluate", *(f"homes/a/{n}" for n in FILES), "--json")[1])
    assert [(home["home"], home["status"]) for home in (a, b, d)] == [("a", 0), ("b", 0), ("d", 2)]
    assert d["scores"] is None
    assert d["complaints"][0].startswith("homes/d/plan.yaml:14")
    assert (summary["homes"], summary["scored"]) == (3, 2)
    both = [home["scores"]["rooms"]["brier"] for home in (a, b)]
    assert summary["percentile_90"]["rooms.brier"] == pytest.approx(np.percentile(both, 90), abs=1e-12)


FILES = ("plan.yaml", "log.jsonl", "truth.jsonl")


def test_each_row_of_a_table_of_what_ifs_is_scored_or_its_fault_named(run: Run, tmp_path: Path) -> None:
    files = "homes/a/plan.yaml,homes/a/log.jsonl,homes/a/truth.jsonl"
    rows = ["home,plan,log,truth,hypotheses,every,door_rate,motion_rates", f"plain,{files},,,,", f"few,{files},1,30,,"]
    rows += [f"slow,{files},,,0.001,", f"wrong,{files},,,-1,", f"worse,{files},,soon,,0.6 0.1", f",{files},0,,,"]
    (tmp_path / "what if.csv").write_text("\n".join(rows), encoding="utf-8")
    status, out, err = run("evaluate", "what if.csv", "--json", "--workers", "1")
    assert status == 2
    found = {home["home"]: home for home in map(json.loads, out.splitlines()[:-1])}
    assert list(found) == ["plain", "few", "slow", "wrong", "worse", "row-7"]
    alone = json.loads(run("evaluate", *(f"homes/a/{n}" for n in FILES), "--json")[1])
    assert found["plain"]["scores"] == alone
    few = run("evaluate", *(f"homes/a/{n}" for n in FILES), "--json", "--hypotheses", "1", "--every", "30")
    assert found["few"]["scores"] == json.loads(few[1])
    assert found["slow"]["scores"]["rooms"] != alone["rooms"]
    assert err.splitlines() == [
        "what if.csv:5: door_rate: -1.0 is not a finite number above zero",
        'what if.csv:6: every: "soon" is no number',
        'what if.csv:6: motion_rates: "0.6 0.1" holds 2 numbers; 4 with blanks would be right',
        "what if.csv:7: hypotheses: 0 is too few; 1 or more would be right",
    ]


def test_what_nobody_foresaw_is_one_home_and_status_1(run: Run, tmp_path: Path) -> None:
    (tmp_path / "homes/b/plan.yaml").chmod(0o600)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "b").write_text("in the way", encoding="utf-8")
    status, out, err = run("simulate", "homes/[ab]", "--days", "0.1", "--out", "out", "--workers", "1")
    assert status == 1
    assert out.splitlines()[-1] == "1 of 2 homes made"
    assert len(err.splitlines()) == 1
    assert err.startswith("homes/b/plan.yaml:0: ")


# --- simulate --------------------------------------------------------------------------------------------------------
def test_what_is_made_of_many_can_be_scored_and_is_what_each_gets_alone(run: Run, tmp_path: Path) -> None:
    rows = ["home,plan,seed,no_phones,misses.motion,dead.hall_motion,walking_speed,roles.P1"]
    rows += ["plain,plan.yaml,4,,,,,", "odd,plan.yaml,4,yes,0.9,0.1,1 1.1,home", "bad,plan.yaml,4,,7,,,"]
    (tmp_path / "homes" / "table.csv").write_text("\n".join(rows), encoding="utf-8")
    (tmp_path / "homes" / "plan.yaml").write_text(PLAN, encoding="utf-8")
    status, out, err = run("simulate", "homes/table.csv", "--days", "1", "--out", "made", "--workers", "1")
    assert (status, out.splitlines()[-1]) == (2, "2 of 3 homes made")
    assert err.startswith("homes/table.csv:4: misses: ")
    assert run("simulate", "homes/plan.yaml", "--days", "1", "--seed", "4", "--out", "alone") == (0, "", "")
    for name in ("log.jsonl", "truth.jsonl"):
        assert (tmp_path / "made/plain" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes()
    seen = [
        (tmp_path / "made" / name / "log.jsonl").read_text("utf-8").count("hall_motion") for name in ("odd", "plain")
    ]
    assert seen[0] < seen[1] / 2
    status, out, _ = run("evaluate", "made", "--workers", "1")
    assert (status, out.splitlines()[-1]) == (0, "2 of 2 homes scored")


@pytest.mark.parametrize("also", ["", "long,a/plan.yaml,"])
def test_the_days_of_a_table_need_not_be_said_again(run: Run, tmp_path: Path, also: str) -> None:
    """Unless a row does not say them."""
    (tmp_path / "homes/table.csv").write_text(f"home,plan,days\nbrief,a/plan.yaml,0.1\n{also}", encoding="utf-8")
    status, out, err = run("simulate", "homes/table.csv", "--out", "made", "--workers", "1")
    assert (status, "brief: " in out, "'--days'" in err) == ((2, False, True) if also else (0, True, False))


def test_a_home_that_is_made_has_plan_log_and_truth_or_none_of_them(run: Run, tmp_path: Path) -> None:
    plan = (tmp_path / "homes/a/plan.yaml").read_bytes().replace(b"\n", b"\r\n")
    (tmp_path / "homes/a/plan.yaml").write_bytes(plan)
    (tmp_path / "made/a/plan.yaml").mkdir(parents=True)
    making = ("simulate", "homes/a", "--days", "0.1", "--workers", "1", "--out")
    assert run(*making, "made")[0] != 0
    assert [path.name for path in (tmp_path / "made/a").iterdir()] == ["plan.yaml"]
    assert run(*making, "whole")[0] == 0
    assert (tmp_path / "whole/a/plan.yaml").read_bytes() == plan


def test_a_home_is_not_written_over_by_lives_of_its_plan(run: Run, tmp_path: Path) -> None:
    before = (tmp_path / "homes/a/log.jsonl").read_bytes()
    status, out, err = run("simulate", "homes/a", "--days", "0.1", "--out", "homes", "--workers", "1")
    assert (status, out.splitlines()[-1]) == (2, "0 of 1 homes made")
    assert err.startswith(f"{Path('homes/a/plan.yaml')}:0: is at home in the folder")
    assert (tmp_path / "homes/a/log.jsonl").read_bytes() == before


def test_what_a_home_has_recorded_is_not_replaced_by_lives_of_another_plan(run: Run, tmp_path: Path) -> None:
    """Nor where its plan is the very same; but whoever runs a command again may do so, with a plan that was edited."""
    (tmp_path / "plans").mkdir()
    for name, plan in (("a", PLAN + "# another\n"), ("b", PLAN)):
        (tmp_path / f"plans/{name}.yaml").write_text(plan, encoding="utf-8")
    making = ("simulate", "plans", "--days", "0.1", "--workers", "1", "--out")
    before = {path: path.read_bytes() for path in (tmp_path / "homes").rglob("*.*")}
    status, out, err = run(*making, "homes")
    assert (status, out.splitlines()[-1]) == (2, "0 of 2 homes made")
    assert [line.split(": ")[0] for line in err.splitlines()] == ["homes/a/log.jsonl:0", "homes/b/log.jsonl:0"]
    (tmp_path / "bare/a").mkdir(parents=True)
    (tmp_path / "bare/a/plan.yml").write_text(PLAN, encoding="utf-8")
    status, out, err = run(*making, "bare")
    assert (status, out.splitlines()[-1]) == (2, "1 of 2 homes made")
    assert err.startswith("bare/a/plan.yml:0: is the plan of another home")
    assert {path: path.read_bytes() for path in (tmp_path / "homes").rglob("*.*")} == before
    assert run(*making, "made")[::2] == (0, "")
    first = {path: path.read_bytes() for path in (tmp_path / "made").rglob("*.*")}
    told = [f"made/{name}/{file}:0: stood there before and is replaced" for name in "ab" for file in FILES[1:]]
    status, _, err = run(*making, "made")
    assert (status, err.splitlines()) == (0, told)
    assert {path: path.read_bytes() for path in (tmp_path / "made").rglob("*.*")} == first
    (tmp_path / "plans/b.yaml").write_text(PLAN + "# edited\n", encoding="utf-8")
    assert run(*making, "made")[::2] == (0, err)
    assert (tmp_path / "made/b/plan.yaml").read_text("utf-8").endswith("edited\n")


def test_a_mapping_is_a_column_for_each_entry(run: Run, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("plan,log,truth,misses\n1,2,3,0.5", encoding="utf-8")
    with pytest.raises(InputError, match=r"t\.csv:1: unknown column \"misses\"; one for each entry, misses\.NAME"):
        found("t.csv", settings=SimulationSettings)


@pytest.mark.parametrize("seeds", ["x", "5-3", "1,1", "", "1-", "1-100000000000"])
def test_seeds_that_are_none_are_refused(run: Run, seeds: str) -> None:
    status, _, err = run("simulate", "homes/a", "--days", "1", "--seeds", seeds, "--out", "made")
    assert (status, len(err.splitlines())) == (2, 1)


def test_what_is_for_many_homes_is_refused_for_one(run: Run) -> None:
    one = [f"homes/a/{name}" for name in FILES]
    for command in (["evaluate", *one], ["simulate", one[0], "--days", "1", "--out", "made"]):
        for option in (["--workers", "2"], ["--scheduler", "tcp://127.0.0.1:1"]):
            status, out, err = run(*command, *option)
            assert (status, out, len(err.splitlines())) == (2, "", 1)
            assert "for many homes" in err


# --- finding them ----------------------------------------------------------------------------------------------------
def found(*given: str, needed: tuple[str, ...] = SCORED, settings: type = Settings) -> list[Home]:
    return find_homes(given, needed, options={"days": float, "seed": int}, settings=settings)


def test_homes_are_found_in_folders_patterns_and_one_by_one(run: Run, tmp_path: Path) -> None:
    for given in (["homes"], ["homes/*"], [f"homes/{name}" for name in "abcde"], [str(tmp_path / "hom*" / "?")]):
        assert is_many(given)
        assert [home.name for home in found(*given)] == list("abcde")
    assert not is_many(["homes/a/plan.yaml", "homes/a/log.jsonl", "homes/a/truth.jsonl"])
    assert not is_many([])
    for name in ("p.yaml", "q.json"):
        (tmp_path / "homes" / name).write_text("", encoding="utf-8")
    assert [home.name for home in found("homes", needed=("plan",))] == [*"abcde", "p", "q"]
    (tmp_path / "homes/a/log.csv").write_text("", encoding="utf-8")
    assert "stands beside it" in found("homes/a")[0].faults[0].message


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("", "t.csv:1: no column"),
        ("plan,log,truth\n", "t.csv:1: no row in this table"),
        ("plan,log,truth,door_rat\n1,2,3,4", 't.csv:1: unknown column "door_rat"; did you mean "door_rate"?'),
        ("plan,log,truth,plan\n1,2,3,4", 't.csv:1: column "plan" stands twice'),
        ("plan,log,truth,door_rate.x\n1,2,3,4", "t.csv:1: unknown column"),
        ("plan,log,truth,factors\n1,2,3,4", 't.csv:1: unknown column "factors"; there is home'),
        ('plan,log,truth\n"1,2,3', "t.csv:0: cannot be read as a table"),
        (b"plan,log,truth\n\xff,2,3", "t.csv:0: cannot be read as a table"),
    ],
)
def test_a_table_that_is_none_is_refused(run: Run, tmp_path: Path, table: Any, says: str) -> None:
    (tmp_path / "t.csv").write_bytes(table if isinstance(table, bytes) else table.encode())
    with pytest.raises(InputError) as caught:
        found("t.csv")
    assert says in str(caught.value)


def test_a_second_home_of_a_name_is_a_home_with_a_fault(run: Run, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("home,plan,log,truth\nx,1,2,3\ny,1,2,3\nx,4,5,6", encoding="utf-8")
    homes = found("t.csv")
    assert [(home.name, len(home.faults)) for home in homes] == [("x", 0), ("y", 0), ("t.csv:4", 1)]
    assert str(homes[2].faults[0]) == 't.csv:4: a second home is called "x"; one would be right'
    write_home(tmp_path / "more/a")
    first, second = found("homes/a", "more/a")
    assert (first.faults, first.name) == ((), "a")
    assert str(second.faults[0]).startswith('more/a/plan.yaml:0: a second home is called "a"')


def test_what_is_no_home_among_several_is_a_bad_home_and_the_rest_is_scored(run: Run, tmp_path: Path) -> None:
    """As a shell writes out `homes/*`."""
    for name in ("empty", "odd"):
        (tmp_path / "homes" / name).mkdir()
    (tmp_path / "homes/odd/house.yaml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "homes/notes.txt").write_text("notes", encoding="utf-8")
    none = ["homes/empty", "homes/notes.txt", "homes/odd", "homes/typo"]
    status, out, err = run("evaluate", "homes/a", *none, "homes/b", "--workers", "1")
    assert status == 2
    assert [row.split()[0] for row in out.splitlines()[1:7]] == ["a", *(f"{name}" for name in none), "b"]
    assert out.splitlines()[-1] == "2 of 6 homes scored"
    assert [line.split(": ")[0] for line in err.splitlines()] == [f"{name}:0" for name in none]
    making = ("simulate", "homes/a", "homes/typo", "--days", "0.1", "--seeds", "1-2", "--out", "made")
    status, out, err = run(*making, "--workers", "1")
    assert (status, out.splitlines()[-1], len(err.splitlines())) == (2, "2 of 3 homes made", 1)
    (tmp_path / "t.csv").write_text("", encoding="utf-8")
    assert run("evaluate", "homes/a", "t.csv")[:2] == (2, "")


@pytest.mark.parametrize("given", [("homes/typo",), ("homes/empty",), ("homes/no*",)])
def test_where_no_home_is_at_all_nothing_is_told_but_that(run: Run, tmp_path: Path, given: tuple[str, ...]) -> None:
    (tmp_path / "homes/empty").mkdir()
    with pytest.raises(InputError, match="no home is there"):
        found(*given)


def test_a_mistyped_file_of_one_home_is_told_as_before(run: Run) -> None:
    for k, name in enumerate(FILES):
        one = [f"homes/a/{n}" for n in FILES]
        one[k] = f"homes/a/x-{name}"
        status, out, err = run("evaluate", *one)
        assert (status, out, len(err.splitlines())) == (2, "", 1)
        assert err.startswith(f"homes/a/x-{name}:0: cannot be read (No such file or directory)")


def test_folders_without_a_file_of_a_home_are_named_as_left_out(run: Run, tmp_path: Path) -> None:
    for name in ("notes", "odd", ".hidden"):
        (tmp_path / "homes" / name).mkdir()
    (tmp_path / "homes/odd/house.yaml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "homes/a/pictures").mkdir()
    (tmp_path / "homes/read.me").write_text("", encoding="utf-8")

    def told(*given: str, needed: tuple[str, ...] = SCORED) -> list[str]:
        doubts: list[str] = []
        find_homes(given, needed, options={}, settings=Settings, on_doubt=lambda fault: doubts.append(str(fault)))
        return doubts

    assert told("homes") == ["homes:0: 2 folders without any file of a home left out: notes, odd"]
    assert told("homes/*") == ["homes/*:0: 2 folders without any file of a home left out: notes, odd"]
    assert told("homes/*", needed=("plan",)) == ["homes/*:0: 1 folder without any file of a home left out: notes"]
    assert told("homes/a") == told("homes/[ab]") == []
    for k in range(20):
        (tmp_path / f"homes/more-{k:02d}").mkdir()
    assert told("homes")[0].endswith("more-08, more-09 and 12 more")
    status, _, err = run("simulate", "homes", "--days", "0.1", "--out", "made", "--workers", "1")
    assert (status, err.splitlines()[0][:26]) == (2, "homes:0: 22 folders withou")  # 2: of d, whose plan is bad


def test_the_faults_of_all_files_of_a_home_are_told_at_once_and_each_files_are_bounded(
    run: Run, tmp_path: Path
) -> None:
    for name in ("a", "c"):
        with (tmp_path / f"homes/{name}/log.jsonl").open("a", encoding="utf-8") as file:
            file.write("nonsense\n" * 30)
        (tmp_path / f"homes/{name}/truth.jsonl").write_text("nonsense\n", encoding="utf-8")
    (tmp_path / "homes/c/plan.yaml").write_text("name: 1\n", encoding="utf-8")
    (tmp_path / "homes/c/truth.jsonl").unlink()
    (tmp_path / "homes/c/truth.jsonl").mkdir()
    status, _, err = run("evaluate", "homes/[ac]", "--workers", "1")
    told = [line.split(": ")[0] for line in err.splitlines()]
    assert status == 2
    assert told[:21] == [*(f"homes/a/log.jsonl:{k}" for k in range(6, 26)), "homes/a/truth.jsonl:1"]
    assert "homes/a/log.jsonl:0: and 10 more" in err
    assert told[-1] == "homes/c/truth.jsonl:0"


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_table_is_read_whatever_a_spreadsheet_puts_between_its_cells(tmp_path: Path, separator: str) -> None:
    rows = (("home", "plan", "walking_speed", "no_pets"), ("y", "p.yaml", "1.2 1.4", "no"))
    path = tmp_path / "t.csv"
    path.write_text("\n".join(separator.join(row) for row in rows), encoding="utf-8")
    (home,) = find_homes([str(path)], ["plan"], options={}, settings=SimulationSettings)
    assert (home.name, home.settings) == ("y", {"walking_speed": (1.2, 1.4), "no_pets": False})


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("x,p,,", "no log; every row needs one"),
        ("../x,p,l,t", "one without a slash"),
        ("x,p,l,t,,,,,6", "9 cells under 8 columns"),
        ("x,p,l,t,1.5", 'seed: "1.5" is no whole number'),
        ("x,p,l,t,,maybe", 'no_pets: "maybe" is neither yes nor no'),
        ("x,p,l,t,,,often", 'late.motion: "often" is no number'),
    ],
)
def test_a_bad_row_is_kept_with_its_line(run: Run, tmp_path: Path, row: str, says: str) -> None:
    head = "home,plan,log,truth,seed,no_pets,late.motion,days"
    (tmp_path / "t.csv").write_text(f"{head}\ny,p,l,t,3,no,0.5,2.5\n\n{row}\n", encoding="utf-8")
    good, bad = found("t.csv", settings=SimulationSettings)
    assert good.options == {"seed": 3, "days": 2.5}
    assert good.settings == {"no_pets": False, "late": {"motion": 0.5}}
    assert not good.faults
    assert {(fault.path, fault.line) for fault in bad.faults} == {("t.csv", 4)}
    assert says in bad.faults[0].message


# --- a year of one home ----------------------------------------------------------------------------------------------
SCORING = """
import gc, json, sys
from pathlib import Path
from presence import Floorplan, evaluate
from presence.batch import score_files
from presence.events import LogCounts, read_log, reorder

folder, blocks, counts = Path(sys.argv[1]), [], LogCounts()
plan = Floorplan.load(folder / "plan.yaml")
evaluate.BATCH = 64

def counted(events):
    for k, event in enumerate(events, 1):
        if k % 800 == 0:
            gc.collect()
            blocks.append(sys.getallocatedblocks())
        yield event

events = counted(reorder(read_log(folder / "log.jsonl", plan=plan, counts=counts), counts=counts))
scores = score_files(plan, events, str(folder / "truth.jsonl"), counts)
print(json.dumps([scores.covered["samples"], blocks]))
"""


def test_memory_does_not_grow_with_the_length_of_log_and_truth(tmp_path: Path) -> None:
    """Blocks of memory in use while files are scored; somebody walks to and fro.

    In a process of its own: what other tests have left behind in threads and caches would count, too.
    """
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    begin, number = datetime(2026, 3, 1, tzinfo=UTC), 3200
    with (tmp_path / "log.jsonl").open("w") as log, (tmp_path / "truth.jsonl").open("w") as truth:
        for k in range(number):
            time, room = (begin + timedelta(seconds=30 * k)).isoformat(), ("hall", "den")[k // 2 % 2]
            log.write(event_line(time, f"{room}_motion", ("detected", "clear")[k % 2]) + "\n")
            truth.write(json.dumps({"time": time, "person": "P1", "room": room}) + "\n")
    command = [sys.executable, "-c", SCORING, str(tmp_path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    samples, blocks = json.loads(done.stdout)
    assert samples > number / 3
    assert blocks[-1] - blocks[1] < 1200, blocks  # of the latter 1600 events; caches and windows come and go
