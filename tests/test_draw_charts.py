"""Charts: what they show equals what was told, nothing is cut off or covered, and hostile names do no harm."""

import itertools
import re
import subprocess
import sys
import warnings
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import yaml
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import QuadMesh
from matplotlib.colors import to_rgb
from matplotlib.patches import Polygon

from presence import Belief, Event, Floorplan, Tracker, draw
from presence.draw.day import Day
from presence.draw.paper import HUE, Chart, contrast, fit, percent, readable_on, text_width
from presence.draw.ways import ways_of
from presence.errors import LogError
from presence.evaluate import evaluate
from presence.health import Finding
from presence.truth import TruthLine

ROOT = Path(__file__).parents[1]
HOMES = sorted((ROOT / "floorplans").glob("*.yaml"))
START = datetime(2026, 3, 2, 17, 59, 30, tzinfo=UTC)
HOSTILE = ['say "hi"', "<script>alert(1)</script>", "a & b", "$x^2$ \\frac", "kitchen 🍳", "{0} %s", "é" * 60]
SHOWN = [
    ("hall_motion", "detected", 0),
    ("hall_motion", "clear", 40),
    ("living_motion", "detected", 50),
    ("front_contact", "open", 400),
    ("front_contact", "closed", 405),
    ("hall_motion", "detected", 407),
    ("hall_motion", "clear", 450),
    ("kitchen_motion", "detected", 460),
    ("living_motion", "clear", 700),
    ("kitchen_motion", "clear", 800),
    ("living_motion", "detected", 1500),
]
TRUTH = [
    TruthLine(START - timedelta(minutes=5), "ada", "hall"),
    TruthLine(START - timedelta(minutes=5), "ben", "away"),
    TruthLine(START - timedelta(minutes=5), "cleo", "away"),
    TruthLine(START + timedelta(seconds=45), "ada", "living_room"),
    TruthLine(START + timedelta(seconds=380), "ben", "front_path"),
    TruthLine(START + timedelta(seconds=402), "ben", "hall"),
    TruthLine(START + timedelta(seconds=455), "ben", "kitchen"),
]


@pytest.fixture(scope="module")
def home() -> Floorplan:
    return Floorplan.load(next(path for path in HOMES if "garage" in path.stem))


def events() -> list[Event]:
    return [Event(START + timedelta(seconds=at), sensor, value) for sensor, value, at in SHOWN]


@pytest.fixture(scope="module")
def day(home: Floorplan) -> Day:
    return draw.replay_day(home, events(), truth=TRUTH)


def drawn_texts(chart: Chart) -> list[tuple[str, Any]]:
    """Every text with its box in pixels, as it would be printed."""
    chart.png()
    canvas = FigureCanvasAgg(chart)
    canvas.draw()
    renderer = canvas.get_renderer()
    texts = list(chart.texts)
    for axes in chart.axes:
        texts += [text for text in axes.texts if not text.get_clip_on() or axes.viewLim.contains(*text.get_position())]
        legend = axes.get_legend()
        texts += legend.get_texts() if legend else []
        if axes.axison:
            texts += [*axes.get_xticklabels(), *axes.get_yticklabels()]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="(?s)Glyph .* missing")
        shown = [text for text in texts if text.get_visible() and text.get_text().strip()]
        return [(text.get_text(), text.get_window_extent(renderer)) for text in shown]


def check_texts(chart: Chart, *, apart: bool = False) -> None:
    """No text reaches over the edge; with `apart`, none covers another."""
    texts = drawn_texts(chart)
    width, height = chart.bbox.width, chart.bbox.height
    for text, box in texts:
        assert box.x0 > -1, text
        assert box.y0 > -1, text
        assert box.x1 < width + 1, text
        assert box.y1 < height + 1, text
    for (one, a), (other, b) in itertools.combinations(texts, 2) if apart else ():
        across, up = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        assert min(across, up) < 2, (one, other)


def bare(path: Path) -> Floorplan:
    mapping = yaml.safe_load(path.read_text(encoding="utf-8"))
    for room in mapping["rooms"].values():
        room.pop("outline", None)
    for thing in (*mapping["doors"].values(), *mapping["sensors"].values()):
        thing.pop("at", None)
    return Floorplan.from_mapping(mapping)


# --- plans ------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("path", HOMES, ids=lambda path: path.stem)
@pytest.mark.parametrize("measured", [True, False])
def test_names_lie_in_their_rooms_and_cover_nothing(path: Path, measured: bool) -> None:
    plan = Floorplan.load(path) if measured else bare(path)
    chart = draw.plan(plan)
    check_texts(chart, apart=True)
    layout = draw.house_layout(plan)
    axes = chart.axes[0]
    said = [text.get_text().replace("\n", " ") for text in axes.texts]
    for room in layout.rooms.values():
        assert room.label in said
    outlines = [shapely.Polygon(axes.transData.transform(p.get_xy())) for p in axes.patches if isinstance(p, Polygon)]
    renderer = FigureCanvasAgg(chart).get_renderer()
    for room in layout.rooms.values():
        text = next(t for t in axes.texts if t.get_text().replace("\n", " ") == room.label)
        box = shapely.box(*text.get_window_extent(renderer).extents)
        assert any(outline.intersection(box).area > 0.8 * box.area for outline in outlines), room.id


def test_probabilities_are_shown_as_told(home: Floorplan, day: Day) -> None:
    belief = day.at(START + timedelta(minutes=8))
    chart = draw.probabilities(home, belief)
    check_texts(chart)
    said = [text.get_text() for axes in chart.axes for text in axes.texts]
    shares = [percent(p) for p in belief.rooms.values()]
    assert all(said.count(share) >= shares.count(share) for share in shares)
    filled = np.array([patch.get_facecolor()[:3] for patch in chart.axes[0].patches])
    for probability in belief.rooms.values():
        assert np.abs(filled - to_rgb(HUE(probability))).max(axis=1).min() < 1 / 255


def test_who_hears_a_picture_read_out_hears_rooms_by_their_names() -> None:
    mapping = yaml.safe_load((ROOT / "floorplans/one_room_flat.yaml").read_text(encoding="utf-8"))
    mapping["rooms"]["studio"]["label"] = "Where all of us live"
    named = Floorplan.from_mapping(mapping)
    belief = Belief(START, {"studio": 0.9, "bathroom": 0.1}, {}, (0.1, 0.9))
    assert draw.probabilities(named, belief).alt.endswith("probably somebody in Where all of us live")


def test_many_people_in_a_small_home_find_space() -> None:
    mapping = yaml.safe_load((ROOT / "floorplans/one_room_flat.yaml").read_text(encoding="utf-8"))
    mapping["people"] = {name: {} for name in ("ana", "Ane", "Dr. Bartholomew Featherstonehaugh", "d", "e", "f")}
    crowded = Floorplan.from_mapping(mapping)
    tracker = Tracker(crowded)
    tracker.advance(START)
    chart = draw.probabilities(crowded, tracker.belief)
    check_texts(chart, apart=True)
    assert {"ana", "f", "at home"} <= {text for text, _ in drawn_texts(chart)}


def test_times_of_neighbouring_rooms_do_not_run_into_each_other() -> None:
    shared = Floorplan.load(ROOT / "floorplans/shared_house.yaml")
    events = [Event(START + timedelta(hours=24 * k), "hall_motion", "detected") for k in range(2)]
    day = draw.replay_day(shared, events, every=3600.0, hypotheses=1)
    anywhere = {"amir": dict.fromkeys(shared.rooms, 1 / len(shared.rooms))}
    chart = draw.paths(replace(day, beliefs=tuple(replace(b, people=anywhere) for b in day.beliefs)), ["amir"])
    check_texts(chart)
    times = [(text, box) for text, box in drawn_texts(chart) if re.fullmatch(r"\d+ min|\d+ h \d\d", text)]
    assert len(times) > 8
    for (one, a), (other, b) in itertools.combinations(times, 2):
        assert min(min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)) < 1, (one, other)


def test_lightness_tells_probability_without_colour() -> None:
    """Grey values of the hue fall all the way (relative luminance, WCAG 2.2, definition of relative luminance)."""
    rgb = HUE(np.linspace(0, 1, 101))[:, :3]
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    assert (np.diff(linear @ [0.2126, 0.7152, 0.0722]) < 0).all()


def test_text_is_readable_on_every_probability() -> None:
    """At least 3:1, what large and bold text needs (WCAG 2.2, 1.4.3); black on white is 21:1 by definition."""
    assert contrast("black", "white") == pytest.approx(21.0)
    assert all(contrast(readable_on(p), HUE(p)) > 3.9 for p in np.linspace(0, 1, 101))


# --- days -------------------------------------------------------------------------------------------------------------
def test_timeline_shows_the_beliefs(day: Day) -> None:
    chart = draw.timeline(day)
    check_texts(chart)
    rooms, counts = (axes for axes in chart.axes[:2])
    mesh = next(c for c in rooms.collections if isinstance(c, QuadMesh))
    told = [[belief.rooms[room] for belief in day.beliefs] for room in day.beliefs[0].rooms]
    assert np.asarray(mesh.get_array()) == pytest.approx(np.array(told))
    mesh = next(c for c in counts.collections if isinstance(c, QuadMesh))
    assert np.asarray(mesh.get_array()) == pytest.approx(np.array([belief.at_home for belief in day.beliefs]).T)


def test_a_day_keeps_what_was_told(home: Floorplan, day: Day) -> None:
    from presence.passages import Passage
    from presence.replay import replay
    from presence.snapshot import Belief

    lines = list(replay(home, events()))
    assert list(day.beliefs) == [line for line in lines if isinstance(line, Belief)]
    final = [line for line in lines if isinstance(line, Passage) and line.final]
    assert all(passage in day.passages for passage in final)
    assert len({(p.time, p.door, p.inferred, tuple(p.people)) for p in day.passages}) == len(day.passages)
    heads = day.true_heads()
    assert heads is not None
    assert list(heads.sum(axis=1)[[0, -1]]) == [1, 2]
    assert day.true_rooms("ada")[0] == "hall"
    assert day.true_rooms("ada")[-1] == "living_room"


def test_a_part_of_a_day_keeps_what_lies_in_it(day: Day) -> None:
    part = day.between(START + timedelta(minutes=5), START + timedelta(minutes=10))
    assert part.begin >= START + timedelta(minutes=5)
    assert part.end <= START + timedelta(minutes=10)
    assert [e.sensor for e in part.events] == ["front_contact", "front_contact", *["hall_motion"] * 2, "kitchen_motion"]
    with pytest.raises(LogError, match="no instant of the grid"):
        day.between(START + timedelta(days=1), START + timedelta(days=2))


def test_a_log_too_short_for_the_grid_is_named(home: Floorplan) -> None:
    with pytest.raises(LogError, match="no instant of the grid"):
        draw.replay_day(home, [])


def test_paths_follow_the_likeliest_rooms(home: Floorplan, day: Day) -> None:
    chart = draw.paths(day, ["ada", "ben"])
    check_texts(chart)
    for person in ("ada", "ben"):
        for here, there in ways_of(day, person):
            assert home.graph.has_edge(here, there)
        held = [room for b in day.beliefs for room, p in b.people[person].items() if p > 0.5]
        assert bool(ways_of(day, person)) == (len(set(held)) > 1)
    assert drawn_texts(draw.paths(day, []))


@pytest.mark.parametrize("known", [True, False])
def test_paths_speak_of_the_truth_where_there_is_any(day: Day, known: bool) -> None:
    chart = draw.paths(day if known else replace(day, truth=()), ["ada"])
    assert any("truth" in text.get_text() for text in chart.texts) == known


def test_passages_are_as_high_as_they_are_sure(home: Floorplan, day: Day) -> None:
    chart = draw.passages(day)
    check_texts(chart)
    doors = [door for door in home.doors if any(p.door == door for p in day.passages)]
    bars = [line for line in chart.axes[0].lines if line.get_linewidth() == 2.4]
    for passage in day.passages:
        row = doors.index(passage.door)
        at = passage.time.timestamp()
        mine = [bar.get_ydata() for bar in bars if bar.get_xdata()[0] == at and bar.get_ydata()[0] == row]
        reached = sorted(abs(high - low) / 0.42 for low, high in mine)
        assert reached == pytest.approx(sorted(passage.directions.values()))


def test_a_passage_is_drawn_with_all_its_probabilities(home: Floorplan, day: Day) -> None:
    for passage in day.passages:
        chart = draw.passage(home, passage)
        check_texts(chart)
        said = [text.get_text() for text in chart.axes[1].texts]
        assert all(percent(p) in said for p in (*passage.directions.values(), passage.nobody))
        title = chart.texts[0].get_text()
        assert title.lower().startswith(passage.door.replace("_", " "))
        assert title[0].isupper()


# --- scores and health ------------------------------------------------------------------------------------------------
def test_calibration_is_drawn_as_it_was_scored(home: Floorplan) -> None:
    scores = evaluate(home, events(), TRUTH)
    for chart in (draw.reliability(scores), draw.evaluation(scores)):
        check_texts(chart)
        line = max(chart.axes[0].lines, key=lambda line: line.get_linewidth())
        assert list(line.get_ydata()) == [b["share_occupied"] for b in scores.reliability]
        assert list(line.get_xdata()) == [b["mean_probability"] for b in scores.reliability]


def test_a_heading_is_no_wider_than_what_it_stands_over(home: Floorplan) -> None:
    chart = draw.evaluation(evaluate(home, events(), TRUTH))
    renderer = FigureCanvasAgg(chart).get_renderer()
    headings = [(axes, text) for axes in chart.axes for text in axes.texts if text.get_size() == 10]
    assert len(headings) == 3
    for axes, text in headings:
        assert text.get_window_extent(renderer).width <= axes.get_window_extent(renderer).width, text.get_text()


def test_only_suspected_sensors_are_named(home: Floorplan) -> None:
    findings = [
        Finding("hall_motion", "dead", 0.97, START, ""),
        Finding("ada_phone", "fading", 0.3, START, ""),
        Finding("dryer", "stuck", 0.001, START, ""),
        Finding("hall_motion", "clock", 0.2, START, ""),
    ]
    chart = draw.health(home, findings)
    assert f"2 of {len(home.sensors)} sensors" in chart.alt
    check_texts(chart)
    said = [text.get_text() for axes in chart.axes for text in axes.texts]
    assert "97 %" in said
    assert "says nothing any more, since Mon 2 Mar 17:59" in said
    assert "hall_motion" in said
    assert "dryer" not in said
    assert "no sensor is suspected" in draw.health(home, []).alt


# --- names and text ---------------------------------------------------------------------------------------------------
def test_hostile_names_are_drawn_as_they_stand() -> None:
    rooms = {f"r{k}": {"label": name} for k, name in enumerate(HOSTILE)}
    ends = [[f"r{k}", f"r{k - 1}" if k else "away"] for k in range(len(rooms))]
    doors = {f"d$^{k}'": {"between": pair, "leaf": "hinged"} for k, pair in enumerate(ends)}
    sensors = {f"<i&{k}": {"kind": "motion", "room": f"r{k}", "hold": 10} for k in range(len(rooms))}
    mapping = {"name": HOSTILE[1] * 3, "time_zone": "UTC", "rooms": rooms, "doors": doors, "sensors": sensors}
    plan = Floorplan.from_mapping(mapping | {"people": {'<b onload="x"&': {}}})
    log = [Event(START + timedelta(seconds=40 * k), name, "detected") for k, name in enumerate(sensors)]
    day = draw.replay_day(plan, log)
    for chart in (draw.plan(plan), draw.timeline(day), draw.paths(day), draw.passages(day)):
        check_texts(chart)
        said = "".join(text for text, _ in drawn_texts(chart))
        assert "<script>" in said
    markup = day._repr_html_()
    assert markup is not None
    assert "<script" not in markup.split("srcdoc")[0]


def test_a_room_smaller_than_its_name() -> None:
    tiny = [[0, 0], [0.2, 0], [0.2, 0.2], [0, 0.2]]
    rooms = {"cupboard_under_the_stairs": {"outline": tiny}, "hall": {"outline": [[0.2, 0], [9, 0], [9, 9], [0.2, 9]]}}
    doors = {k: {"between": [k, "away"], "leaf": "hinged"} for k in rooms}
    plan = Floorplan.from_mapping({"name": "tiny", "time_zone": "UTC", "rooms": rooms, "doors": doors})
    check_texts(draw.plan(plan))


def test_text_is_fitted() -> None:
    text, size = fit("garden bedroom", 60, 40, 9, 5)
    assert text == "garden\nbedroom"
    assert max(text_width(line) for line in text.split("\n")) * size <= 60
    assert fit("unbreakable_long_name", 20, 12, 9, 5)[0].endswith("…")


@pytest.mark.parametrize(
    ("probability", "said"),
    [(0.0, "0 %"), (0.004, "<1 %"), (0.5, "50 %"), (0.994, ">99 %"), (1.0, "100 %"), (0.01, "1 %")],
)
def test_neither_0_nor_100_percent_is_said_of_what_is_not_certain(probability: float, said: str) -> None:
    assert percent(probability) == said


# --- notebooks --------------------------------------------------------------------------------------------------------
def test_values_show_themselves_in_a_notebook(home: Floorplan, day: Day) -> None:
    from IPython.core.formatters import DisplayFormatter

    for thing in (home, day.beliefs[0], day.passages[0], day):
        shown, _ = DisplayFormatter().format(thing)
        assert shown["image/png"].startswith(b"\x89PNG")
        assert '<img alt="' in shown["text/html"]
        assert "data:image/png;base64," in shown["text/html"]
        assert len(shown["text/plain"]) < 600
    assert home.name in DisplayFormatter().format(home)[0]["text/plain"]


def test_a_picture_is_the_same_twice(home: Floorplan) -> None:
    assert draw.plan(home).png() == draw.plan(home).png()
    assert draw.plan(home).svg() == draw.plan(home).svg()
    assert draw.plan(home).svg().lstrip().startswith("<?xml")


def test_without_matplotlib_values_are_told_in_text() -> None:
    code = (
        "import sys; sys.modules['matplotlib'] = None\n"
        "from presence import Floorplan\n"
        "plan = Floorplan.from_mapping({'name': 'Hut', 'time_zone': 'UTC', 'rooms': {'a': {}},\n"
        "    'doors': {'d': {'between': ['a', 'away'], 'leaf': 'hinged'}}})\n"
        "from IPython.core.formatters import DisplayFormatter\n"
        "print(DisplayFormatter().format(plan)[0])\n"
        "from presence import draw\n"
        "draw.house_layout(plan)\n"
        "try:\n    draw.plan\nexcept ModuleNotFoundError as error:\n    print(error)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    shown, error = done.stdout.splitlines()
    assert shown == "{'text/plain': 'Hut: 1 room, 1 door, 0 sensors; nobody by name'}"
    assert error.endswith("pip install 'presence[draw]'")
