"""The page in a browser: it shows what replay tells, by eye, by keys and by screen reader; nothing is fetched."""

import json
import random
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from presence import cli, draw
from presence.draw.page import page
from presence.events import Event, read_log
from presence.floorplan import Floorplan
from presence.replay import replay, to_json
from tests.browser import SIZES, Browser, browser

ROOT = Path(__file__).parents[1]
GARAGE = ROOT / "floorplans/two_storey_garage.yaml"
EVENING = ROOT / "demo/garage_evening.jsonl"
ZONE = ZoneInfo("Europe/Dublin")


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


@pytest.fixture(autouse=True)
def quiet(request: pytest.FixtureRequest) -> Iterator[None]:
    """No test may leave a complaint in the console or a request for anything but the page itself."""
    yield
    if "window" in request.fixturenames:
        window = request.getfixturevalue("window")
        assert window.complaints() == []
        fetched = {url for url in window.requests() if not url.startswith(("about:", "data:"))}
        assert fetched <= {window.driver.current_url}


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a day of the two-storey house, and its page."""
    folder = tmp_path_factory.mktemp("day")
    assert cli.run(["simulate", str(GARAGE), "--days", "1", "--seed", "3", "--out", str(folder)]) == 0
    files = [str(GARAGE), str(folder / "log.jsonl"), "--no-explain", "--truth", str(folder / "truth.jsonl")]
    assert cli.run(["draw", *files, "--out", str(folder / "page.html")]) == 0
    return folder


@pytest.fixture(scope="module")
def lines(day: Path) -> list[dict[str, Any]]:
    """What `presence replay` prints of that day."""
    plan = Floorplan.load(GARAGE)
    return [json.loads(to_json(line)) for line in replay(plan, read_log(day / "log.jsonl", plan=plan))]


def shown(probability: float) -> str:
    """How a page writes a probability: the nearest percent, with neither 0 nor 100 claimed."""
    number = int(100 * probability + 0.5)
    return {0: "<1\u00a0%", 100: ">99\u00a0%"}.get(number, f"{number}\u00a0%")


def test_one_day_of_the_house_is_small(day: Path) -> None:
    assert 20_000 < (day / "page.html").stat().st_size < 500_000


READ = """
    const scrubber = document.getElementById("scrubber"), found = [];
    const texts = (root, selector) => [...root.querySelectorAll(selector)].map((e) => e.textContent);
    for (const n of args[0]) {
      scrubber.value = n;
      scrubber.dispatchEvent(new Event("input"));
      await frame();
      const rows = [...document.querySelectorAll("#rows button")].map((b) => texts(b, ".label, .value"));
      found.push({
        clock: document.getElementById("clock-time").textContent, rows: Object.fromEntries(rows),
        levels: [...document.querySelectorAll("[data-room]")].map((g) => {
          const level = g.querySelector(".level"), box = g.querySelector(".fill").getBBox();
          return [g.querySelector("title").textContent, level.height.baseVal.value / box.height];
        }),
        people: [...document.querySelectorAll(".person")].map((p) => [p.querySelector("b").textContent,
          [...p.querySelectorAll(".place")].map((line) => [line.firstChild.textContent, line.lastChild.textContent])]),
        count: document.querySelector(".count").getAttribute("aria-label"),
        plan: texts(document, "#sheets svg > title").join(),
      });
    }
    return found;
"""


def test_a_hundred_minutes_are_those_of_replay(window: Browser, day: Path, lines: list[dict[str, Any]]) -> None:
    plan = Floorplan.load(GARAGE)
    beliefs = [line for line in lines if line["kind"] == "occupancy"]
    chosen = random.Random(5).sample(range(len(beliefs)), 100)
    window.open(day / "page.html")
    found = window.run(READ, chosen)
    for n, page_says in zip(chosen, found, strict=True):
        told = beliefs[n]
        time = datetime.fromisoformat(told["time"]).astimezone(ZONE)
        assert page_says["clock"] == f"{time:%H:%M}"
        assert page_says["rows"] == {plan.rooms[r].label: shown(p) for r, p in told["rooms"].items()}
        for room, p in told["rooms"].items():
            assert f"{plan.rooms[room].label} {shown(p)}" in page_says["plan"]
        for name, places in page_says["people"]:
            told_places = {plan.rooms[r].label: p for r, p in told["people"][name].items()}
            best = max(told_places.values())
            assert told_places[places[0][0]] == pytest.approx(best, abs=0.01)
            assert [text for _, text in places] == [shown(told_places[place]) for place, _ in places]
        assert page_says["count"] == ", ".join(f"{k}: {shown(p)}" for k, p in enumerate(told["at_home"]))
        kitchen = next(share for title, share in page_says["levels"] if title.endswith("kitchen"))
        assert kitchen == pytest.approx(told["rooms"]["kitchen"], abs=0.006)  # a rectangle: filled to its probability


ARROWS = """
    const found = [], rooms = [...document.querySelectorAll("[data-room]")];
    for (const arrow of document.querySelectorAll(".passage:has(title)")) {
      const [x, y] = arrow.querySelector(".head").getAttribute("d").match(/-?[0-9.]+/g).map(Number);
      const tip = Object.assign(arrow.ownerSVGElement.createSVGPoint(), { x, y });
      const here = rooms.filter((g) => g.ownerSVGElement === arrow.ownerSVGElement);
      const inside = here.filter((g) => g.querySelector(".fill").isPointInFill(tip));
      found.push([arrow.querySelector("title").textContent, inside.map((g) => g.querySelector("title").textContent)]);
    }
    return found;
"""


def test_arrows_point_into_the_room_that_is_entered(window: Browser, day: Path) -> None:
    window.open(day / "page.html")
    window.to_begin()
    seen = set()
    for _ in range(60):
        window.press("n")
        for title, inside in window.run(ARROWS):
            goal = title.split(" → ")[1].rsplit(" ", 1)[0]
            if goal in ("landing", "hall") and title.startswith(("landing →", "hall →")):
                continue  # the stair: drawn on both floors
            assert [name.split(" ", 1)[1] for name in inside] == ([] if goal == "away" else [goal]), title
            seen.add(goal)
    assert len(seen) >= 5


COVERED = """
    const arrows = [...document.querySelectorAll("#sheets .passage")], found = [];
    const common = (a, long, b, other) => Math.min(a + long, b + other) - Math.max(a, b);
    for (const arrow of arrows) for (const text of arrow.ownerSVGElement.querySelectorAll(".halo:not(.under)")) {
      if (text.closest(".passage")) continue;
      const head = arrow.querySelector(".head").getBBox(), name = text.getBBox();
      const wide = common(head.x, head.width, name.x, name.width);
      const tall = common(head.y, head.height, name.y + 3, name.height - 6); // ascent and descent are mostly empty
      const painted_over = text.compareDocumentPosition(arrow) & Node.DOCUMENT_POSITION_FOLLOWING;
      if (painted_over || Math.min(wide, tall) > 3) found.push(text.textContent);
    }
    return [arrows.length, found];
"""

OUTLINED_OVER = """
    const over = (outline) => [...outline.ownerSVGElement.querySelectorAll(".passage, .halo")].filter((mark) =>
      mark.compareDocumentPosition(outline) & Node.DOCUMENT_POSITION_FOLLOWING);
    return [...document.querySelectorAll("path.chosen")].flatMap(over).map((mark) => mark.textContent);
"""


@pytest.mark.parametrize("size", SIZES)
def test_an_arrow_into_a_narrow_room_and_its_name_are_both_to_be_read(
    window: Browser, tmp_path: Path, size: str
) -> None:
    """From the kitchen through the utility room, whose name begins a few pixels behind the door, into the garage."""
    assert cli.run(["draw", str(GARAGE), str(EVENING), "--no-explain", "--out", str(tmp_path / "page.html")]) == 0
    window.open(tmp_path / "page.html", size=size)
    window.press(*"nn")
    assert "kitchen → utility room" in window.text("#passage-list")
    arrows, covered = window.run(COVERED)
    assert (arrows, covered) == (2, [])
    assert window.run(OUTLINED_OVER) == []


def test_every_likely_passage_is_jumped_to(window: Browser, day: Path, lines: list[dict[str, Any]]) -> None:
    plan = Floorplan.load(GARAGE)
    window.open(day / "page.html")
    window.to_begin()
    stops = []
    for _ in range(300):
        before = window.text("#bar-time")
        window.press("n")
        if window.text("#bar-time") == before:
            break
        stops.append((window.text("#clock-time"), window.text("#passage-list")))
    likely = [p for p in lines if p["kind"] == "passage" and p["final"] and p["nobody"] < 0.495]
    assert len(likely) > 15
    for passage in likely:
        time = datetime.fromisoformat(passage["time"]).astimezone(ZONE)
        direction = max(passage["directions"], key=lambda d: passage["directions"][d])
        source, goal = (plan.rooms[room].label for room in direction.split(">"))
        told = f"{time:%H:%M:%S} {source} → {goal} {shown(passage['directions'][direction])}"
        minute = time if (time.second, time.microsecond) == (0, 0) else time + timedelta(minutes=1)
        assert any(clock == f"{minute:%H:%M}" and told in listed for clock, listed in stops), told


def test_keys_step_through_time_choose_rooms_and_can_be_switched_off(window: Browser, day: Path) -> None:
    window.open(day / "page.html")
    clock = lambda: window.text("#clock-time")  # noqa: E731
    window.to_begin()
    first = clock()
    assert first == "00:01"
    window.press("\ue014")  # right
    assert clock() == "00:02"
    window.run("document.activeElement.blur()")
    from selenium.webdriver import ActionChains

    ActionChains(window.driver).key_down("\ue008").send_keys("\ue014").key_up("\ue008").perform()
    window.run("await frame()")
    assert clock() == "01:02"
    window.press("\ue012")
    assert clock() == "01:01"
    window.run("document.querySelector('#rows button').focus()")
    window.press("\ue015", "\ue015")  # down: another room, and why
    chosen = window.run("return [...document.querySelectorAll('#rows button')].map((b) => b.ariaPressed === 'true')")
    assert chosen.index(True) == 2
    assert window.text("#why-title").startswith(window.text("#rows [aria-pressed=true] .label") + ",")
    assert window.run("return document.activeElement.ariaPressed") == "true"
    window.run("document.activeElement.blur()")
    window.press(" ")
    assert window.text("#play") == "Stop"
    window.run("await new Promise((done) => setTimeout(done, 700))")
    window.press(" ")
    assert window.text("#play") == "Run"
    assert clock() > "01:01"
    still = clock()
    window.run("document.getElementById('use-keys').click()")
    window.press("n", "\ue015")
    assert clock() == still


def test_the_drawing_follows_the_window(window: Browser, day: Path) -> None:
    window.open(day / "page.html")
    script = """
        await frame(); await frame();
        return [...document.querySelectorAll(".strip svg")].map((s) => s.viewBox.baseVal.width / s.clientWidth);
    """
    window.driver.execute_script("document.body.style.paddingRight = '90px'")
    assert window.run(script) == pytest.approx([1.0] * 22, abs=0.01)


def test_sensors_and_their_key_are_shown_where_asked(window: Browser, day: Path) -> None:
    boxes = "['#sheets .sensor', '#sensor-key'].map((s) => document.querySelector(s).getClientRects().length)"
    shown = f"await frame(); return {boxes}"
    window.open(day / "page.html", size="phone")
    assert window.run(shown) == [0, 0]  # too small to be told apart
    window.run("document.getElementById('show-sensors').click(); await frame()")
    assert window.run(shown) == [1, 1]


def test_scrubber_is_dragged_and_timeline_is_pointed_at(window: Browser, day: Path) -> None:
    from selenium.webdriver import ActionChains

    window.open(day / "page.html")
    scrubber = window.driver.find_element("id", "scrubber")
    script = "seen.add(document.getElementById('clock-time').textContent)"
    listener = f"async () => {{ await frame(); {script}; }}"
    window.run(f"window.seen = new Set(); args[0].addEventListener('input', {listener})", scrubber)
    drag = ActionChains(window.driver, duration=60).move_to_element(scrubber).click_and_hold()
    for _ in range(6):
        drag.move_by_offset(25, 0)
    drag.release().perform()
    assert window.run("await frame(); return seen.size") >= 6
    strip = window.driver.find_elements("css selector", ".row.room .strip")[4]
    window.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", strip)
    ActionChains(window.driver).move_to_element(strip).click().perform()
    window.run("await frame()")
    assert window.text("#clock-time") in ("11:50", "11:51", "11:52", "12:00", "12:01")
    cursor, box = window.run(
        "const c = document.getElementById('cursor').getBoundingClientRect(), s = args[0].getBoundingClientRect();"
        "return [c.left, [s.left, s.right]]",
        strip,
    )
    assert cursor == pytest.approx(sum(box) / 2, abs=3)
    room = window.driver.find_element("css selector", "[data-room='3'] .fill")
    ActionChains(window.driver).move_to_element(room).click().perform()
    window.run("await frame()")
    assert window.text("#why-title").startswith("kitchen,")


def test_truth_is_laid_over(window: Browser, day: Path) -> None:
    window.open(day / "page.html")
    assert window.run("return document.querySelectorAll('.mark.true, .truth-bar').length") <= 1  # the legend's
    window.run("document.getElementById('show-truth').click(); await frame()")
    assert window.run("return document.querySelectorAll('.row .truth-bar').length") > 10
    truth = [json.loads(line) for line in (day / "truth.jsonl").read_text(encoding="utf-8").splitlines()]
    plan = Floorplan.load(GARAGE)
    for n in (100, 500, 1100):
        [page_says] = window.run(READ, [n])
        time = datetime(2026, 3, 2, tzinfo=ZONE) + timedelta(minutes=n + 1)
        for person in plan.people:
            past = [t for t in truth if t["person"] == person and datetime.fromisoformat(t["time"]) <= time]
            real = plan.rooms[past[-1]["room"]].label
            block = window.run("return [...document.querySelectorAll('.person')].map((p) => p.textContent)")
            mine = next(text for text in block if text.startswith((person, person[0].upper() + person)))
            best = next(places[0][0] for name, places in page_says["people"] if name == person)
            assert f"truth: {real} {'✓' if best == real else '✗'}" in mine
    window.picture("truth-desktop")


def test_why_is_what_replay_explains(window: Browser, tmp_path: Path) -> None:
    plan = Floorplan.load(GARAGE)
    events = list(read_log(EVENING, plan=plan))
    (tmp_path / "page.html").write_text(page(plan, events, explain=True), encoding="utf-8")
    lines = [json.loads(to_json(line)) for line in replay(plan, events, explain=True)]
    first = next(datetime.fromisoformat(line["time"]) for line in lines if line["kind"] == "occupancy")
    window.open(tmp_path / "page.html")
    explained = [line for line in lines if line["kind"] == "explanation" and "room" in line]
    assert len(explained) > 4
    for line in explained:
        n = round((datetime.fromisoformat(line["time"]) - first).total_seconds() / 60)
        window.run(READ, [n])
        window.run(
            "document.querySelectorAll('#rows button').forEach((b) => b.textContent.includes(args[0]) && b.click());"
            "await frame()",
            plan.rooms[line["room"]].label,
        )
        assert f"{plan.rooms[line['room']].label}," in window.text("#why-title")
        heaviest = line["evidence"][0]
        shown_weight = "\u2212" if heaviest["decibans"] < 0 else "+"
        assert window.text("#why-body .weights li").startswith(shown_weight)
        assert window.text("#why-body .weights li span") == heaviest["what"]
    window.run("document.querySelector('#passage-list details').open = true")
    window.picture("why")


def test_reasons_that_were_left_out_are_missed(window: Browser, tmp_path: Path) -> None:
    plan = Floorplan.load(GARAGE)
    (tmp_path / "page.html").write_text(page(plan, read_log(EVENING, plan=plan), explain=2), encoding="utf-8")
    window.open(tmp_path / "page.html")
    window.to_begin()
    assert "Weights of evidence" not in window.text("#why-body")
    window.run("document.getElementById('scrubber').focus()")
    window.press("\ue010")
    assert re.search(r"told up to \w+ 15 Jan \d\d:\d\d; presence draw --explain tells all", window.text("#why-body"))


# --- for everybody ----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("size", ["desktop", "phone"])
def test_a_screen_reader_finds_names_and_roles(window: Browser, day: Path, size: str) -> None:
    window.open(day / "page.html", size=size)
    window.press("n")
    window.run("await new Promise((done) => setTimeout(done, 700))")
    tree = window.driver.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    found = [(n["role"]["value"], n.get("name", {}).get("value", "")) for n in tree if not n["ignored"]]
    needy = {"button", "slider", "combobox", "checkbox", "image", "heading", "link"}
    assert not [node for node in found if node[0] in needy and not node[1].strip()]
    roles = {role for role, _ in found}
    assert needy <= roles
    assert {"status", "banner", "main", "contentinfo", "region"} <= roles
    value_text = window.run("return document.getElementById('scrubber').getAttribute('aria-valuetext')")
    assert re.fullmatch(r"Mon 2 Mar \d\d:\d\d", value_text)  # not from the tree: Chromium 156.0.8078.108 leaves it out
    assert value_text.endswith(window.text("#clock-time"))
    live = window.run("return [...document.querySelectorAll('output, [role=status], [aria-live]')].map((e) => e.id)")
    assert live == ["announcement"]  # else each step of running time would be read out
    status = window.text("#announcement")
    assert window.text("#clock-time") in status
    assert "→" in status
    assert re.search(r"ada: \w", status)


def test_tab_goes_through_the_page_in_order(window: Browser, day: Path) -> None:
    window.open(day / "page.html")
    places, order = [], "return [...document.querySelectorAll('*')].indexOf(document.activeElement)"
    for _ in range(40):
        window.press("\ue004")
        places.append(window.run(order))
        if window.run("return document.activeElement === document.body"):
            break
        assert window.run(
            "const box = document.activeElement.getBoundingClientRect(); return box.width * box.height > 0"
        )
    assert places[:-1] == sorted(set(places[:-1]))
    assert len(places) > 25


def luminance(colour: str) -> float:
    """Relative luminance of `#rrggbb` (WCAG 2.2, definition of relative luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return sum(weight * c for weight, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(a: str, b: str) -> float:
    """Contrast ratio (WCAG 2.2, definition of contrast ratio)."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_stand_out_as_wcag_asks(window: Browser, day: Path, scheme: str) -> None:
    """WCAG 2.2, success criteria 1.4.3 (text: 4.5) and 1.4.11 (what is needed to understand graphics: 3)."""
    window.open(day / "page.html", scheme=scheme)
    script = (
        "const s = getComputedStyle(document.documentElement); return args[0].map((n) => s.getPropertyValue(n).trim())"
    )
    names = ["paper", "sheet", "ground", "ink", "soft", "level", "level-edge", "chosen", "arrow", "glow", "mark-ink"]
    colours = dict(zip(names, window.run(script, [f"--{name}" for name in names]), strict=True))
    for back in ("paper", "sheet", "ground"):
        for text in ("ink", "soft"):
            assert contrast(colours[text], colours[back]) >= 4.5, (text, back)
        for line in ("level-edge", "chosen"):
            assert contrast(colours[line], colours[back]) >= 3, (line, back)
    assert contrast(colours["ink"], colours["level"]) >= 4.5
    assert contrast(colours["level-edge"], colours["level"]) >= 3
    assert contrast(colours["arrow"], colours["glow"]) >= 3
    for mark in window.run(script, [f"--p{k}" for k in range(8)]):
        assert contrast(mark, colours["mark-ink"]) >= 4.5


def test_a_dark_page_is_printed_dark_on_white(window: Browser, day: Path) -> None:
    window.open(day / "page.html", scheme="dark")
    script = "const s = getComputedStyle(document.documentElement); return s.getPropertyValue('--ink').trim()"
    assert contrast(window.run(script), "#000000") >= 4.5
    window.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert contrast(window.run(script), "#ffffff") >= 4.5
        assert not window.run("return document.getElementById('controls').checkVisibility()")
    finally:
        window.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_people_differ_by_shape_not_by_colour_alone(window: Browser, day: Path) -> None:
    window.open(day / "page.html")
    shapes = window.run("return [...document.querySelectorAll('.person > svg path')].map((p) => p.getAttribute('d'))")
    letters = window.run("return [...document.querySelectorAll('.person > svg text')].map((t) => t.textContent)")
    assert len(set(shapes)) == len(shapes) == 3
    assert letters == ["A", "B", "C"]


def test_motion_is_reduced_where_asked(window: Browser, day: Path) -> None:
    script = "return getComputedStyle(document.querySelector('.passage.flash')).animationName"
    for motion, name in (("no-preference", "flash"), ("reduce", "none")):
        window.open(day / "page.html", motion=motion)
        assert window.run(f"await frame(); {script}") == name


OVERLAPS = """
    const problems = [], shown = (e) => e.textContent && e.getBoundingClientRect().width;
    const outside = (p, q) => Math.max(q.left - p.left, p.right - q.right, q.top - p.top, p.bottom - q.bottom) > 1;
    const common = (p, q) => Math.min(Math.min(p.right, q.right) - Math.max(p.left, q.left) - 3,
                                      Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top) - 5);
    for (const svg of document.querySelectorAll("#sheets svg")) {
      const around = svg.getBoundingClientRect();
      const texts = [...svg.querySelectorAll("text.halo:not(.under)")].filter(shown)
        .map((e) => [e.textContent, e.getBoundingClientRect(), e]);
      for (const [text, box] of texts) if (outside(box, around)) problems.push(["cut", text]);
      const labels = texts.filter(([, , e]) => !e.closest(".passage"));
      labels.forEach(([a, p], i) => labels.slice(0, i).forEach(([b, q]) => {
        if (common(p, q) > 0) problems.push(["over each other", a, b]);
      }));
    }
    for (const control of [...document.querySelectorAll("button, select")].filter(shown)) {
      const cut = control.scrollWidth > control.clientWidth + 1, low = control.getBoundingClientRect().height < 24;
      if (cut || low) problems.push([cut ? "cut" : "low", control.textContent]); // 24: WCAG 2.2, 2.5.8
    }
    const page = document.documentElement;
    if (page.scrollWidth > innerWidth) problems.push(["wider than the window", page.scrollWidth]);
    return problems;
"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_nothing_overlaps_or_is_cut_off(window: Browser, day: Path, size: str, scheme: str) -> None:
    window.open(day / "page.html", size=size, scheme=scheme)
    window.press(*"nnnnnnnnn")
    assert window.run(OVERLAPS) == []
    window.picture(f"day-{size}-{scheme}")


@pytest.mark.parametrize("name", ["shared_house", "open_plan_bungalow", "one_room_flat"])
def test_every_home_is_drawn(window: Browser, tmp_path: Path, name: str) -> None:
    (tmp_path / "page.html").write_text(page(Floorplan.load(ROOT / f"floorplans/{name}.yaml")), encoding="utf-8")
    for size in SIZES:
        window.open(tmp_path / "page.html", size=size)
        assert window.run(OVERLAPS) == []
        assert not window.run("return document.getElementById('controls').checkVisibility()")
        window.picture(f"plan-{name}-{size}")


# --- bad input --------------------------------------------------------------------------------------------------------
NASTY = [
    "</script><script>alert(1)</script>",
    "\"quoted\" & 'so'",
    "<img src=x onerror=alert(2)>",
    "👩 den",
    "$data {{x}}",
]


def test_nasty_names_are_only_text(window: Browser, tmp_path: Path) -> None:
    ids = [name.replace(">", "≥") for name in NASTY]  # an id holds no >
    rooms = {id_: {"label": label} for id_, label in zip(ids, NASTY, strict=True)}
    doors = {f"<b>{a}": {"between": [a, b], "leaf": "hinged"} for a, b in zip(ids, [*ids[1:], "away"], strict=True)}
    doors = {name.replace(">", "≥"): door for name, door in doors.items()}
    sensors = {f"<i≥ {k}": {"kind": "motion", "room": id_, "hold": 10} for k, id_ in enumerate(ids)}
    plan = Floorplan.from_mapping(
        {
            "name": NASTY[0],
            "time_zone": "Europe/Dublin",
            "rooms": rooms,
            "doors": doors,
            "sensors": sensors,
            "people": {"<u≥Zoë": {}, "🧑": {}},
        }
    )
    begin = datetime(2026, 3, 2, 12, 0, 30, tzinfo=UTC)
    events = [Event(begin + timedelta(minutes=k), f"<i≥ {k % 5}", "detected") for k in range(12)]
    (tmp_path / "page.html").write_text(page(plan, events, log="<b>&.jsonl"), encoding="utf-8")
    window.open(tmp_path / "page.html")
    window.run("document.getElementById('scrubber').focus()")
    window.press("\ue010")
    assert window.text("h1") == NASTY[0] == window.driver.title
    assert window.run("return [...document.querySelectorAll('#rows button .label')].map((e) => e.textContent)") == NASTY
    assert window.run("return document.querySelectorAll('img, b b, u, script').length") == 2
    assert "🧑" in window.text("#people-list")
    window.picture("nasty")
    window.open(tmp_path / "page.html", size="phone")
    assert not [problem for problem in window.run(OVERLAPS) if problem[0].startswith("wider")]


def test_a_home_where_nobody_is_known(window: Browser, tmp_path: Path) -> None:
    rooms, doors = {"a": {}, "b": {}}, {"ab": {"between": ["a", "b"], "leaf": "none"}}
    doors["out"] = {"between": ["a", "away"], "leaf": "hinged"}
    sensors = {"m": {"kind": "motion", "room": "b", "hold": 10}}
    plan = {"name": "x", "time_zone": "Asia/Kathmandu", "rooms": rooms, "doors": doors, "sensors": sensors}
    begin = datetime(2026, 3, 2, 12, 0, 30, tzinfo=UTC)
    events = [Event(begin + timedelta(minutes=k), "m", ("detected", "clear")[k % 2]) for k in range(5)]
    (tmp_path / "page.html").write_text(page(Floorplan.from_mapping(plan), events), encoding="utf-8")
    window.open(tmp_path / "page.html")
    assert window.text("#clock-time") == "17:46"  # five hours and three quarters ahead of UTC
    assert window.text("#at-home").startswith("On the property: one person")
    assert not window.run("return document.getElementById('away').checkVisibility()")


def test_ten_thousand_events_in_a_minute(window: Browser, tmp_path: Path) -> None:
    plan = Floorplan.load(ROOT / "floorplans/one_room_flat.yaml")
    sensor = next(s.id for s in plan.sensors.values() if s.kind == "motion")
    begin, values = datetime(2026, 3, 2, 18, 0, 1, tzinfo=UTC), ("detected", "clear")
    burst = [Event(begin + timedelta(milliseconds=5.5 * k), sensor, values[k % 2]) for k in range(10_000)]
    calm = [Event(begin + timedelta(minutes=5 * k), sensor, values[k % 2]) for k in range(1, 5)]
    (tmp_path / "page.html").write_text(page(plan, [*burst, *calm], hypotheses=1), encoding="utf-8")
    assert (tmp_path / "page.html").stat().st_size < 500_000
    window.open(tmp_path / "page.html")
    window.to_begin()
    assert window.text("#clock-time") == f"{begin.astimezone(plan.zone) + timedelta(minutes=1):%H:%M}"
    assert "9940 events" in window.text("#precision")


def test_a_log_without_events_says_so(window: Browser, tmp_path: Path) -> None:
    plan = Floorplan.load(GARAGE)
    (tmp_path / "page.html").write_text(page(plan, []), encoding="utf-8")
    window.open(tmp_path / "page.html")
    assert "no event in the log" in window.text("#notes")
    one = [Event(datetime(2026, 3, 2, 18, 0, 1, tzinfo=UTC), "hall_motion", "detected")]
    (tmp_path / "page.html").write_text(page(plan, one), encoding="utf-8")
    window.open(tmp_path / "page.html")
    assert "--every" in window.text("#notes")


def test_outlines_that_overlap_or_cross_themselves(window: Browser, tmp_path: Path) -> None:
    rooms = {
        "a": {"outline": [[0, 0], [4, 0], [4, 4], [0, 4], [0, 0]]},  # closed by hand
        "b": {"outline": [[3, 1], [8, 1], [8, 5], [3, 5]]},
        "c": {"outline": [[8, 0], [12, 4], [12, 0], [8, 3]]},
        "d": {"outline": [[0, 6], [9, 6], [9, 6.05]]},
    }
    doors = {f"{r}{s}": {"between": [r, s], "leaf": "hinged"} for r, s in ("ab", "bc", "cd")}
    doors["out"] = {"between": ["a", "away"], "leaf": "none"}
    plan = Floorplan.from_mapping({"name": "odd", "time_zone": "Europe/Dublin", "rooms": rooms, "doors": doors})
    (tmp_path / "page.html").write_text(page(plan), encoding="utf-8")
    window.open(tmp_path / "page.html")
    assert window.run("return document.querySelectorAll('[data-room]').length") == 4
    assert "overlap" in window.text("#notes")
    window.picture("odd-outlines")


def test_a_double_click_in_a_folder_that_cannot_be_written(window: Browser, tmp_path: Path, day: Path) -> None:
    folder = tmp_path / "read only & 100%"
    folder.mkdir()
    (folder / "page.html").write_bytes((day / "page.html").read_bytes())
    (folder / "page.html").chmod(0o444)
    folder.chmod(0o555)
    try:
        window.open(folder / "page.html")
        window.press("n")
        assert window.text("#clock-time")
        assert [path.name for path in folder.iterdir()] == ["page.html"]
    finally:
        folder.chmod(0o755)


def test_a_thinned_log_says_so_and_stays_within(
    window: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from presence.draw import recording as recording_module

    plan = Floorplan.load(GARAGE)
    events = list(read_log(EVENING, plan=plan))
    monkeypatch.setattr(recording_module, "MOST_INSTANTS", 60)
    (tmp_path / "page.html").write_text(page(plan, events), encoding="utf-8")
    window.open(tmp_path / "page.html")
    note = re.search(r"(\d+) of (\d+) instants are kept.*at most (\d+) points", window.text("#precision"))
    assert note, window.text("#precision")
    kept, told, points = map(int, note.groups())
    lines = [json.loads(to_json(line)) for line in replay(plan, events)]
    beliefs = [line for line in lines if line["kind"] == "occupancy"]
    assert kept <= 60 < told == len(beliefs)
    for n, page_says in enumerate(window.run(READ, list(range(len(beliefs))))):
        texts = [page_says["rows"][plan.rooms[room].label] for room in beliefs[n]["rooms"]]
        texts += [text.split(": ")[1] for text in page_says["count"].split(", ")]
        for text, p in zip(texts, [*beliefs[n]["rooms"].values(), *beliefs[n]["at_home"]], strict=True):
            number = {"<1\u00a0%": 0, ">99\u00a0%": 100}.get(text) if text[0] in "<>" else int(text[:-2])
            assert abs(100 * p - number) <= points + 0.5


def test_a_day_in_a_notebook_is_stepped_through(window: Browser, tmp_path: Path) -> None:
    plan = Floorplan.load(GARAGE)
    shown = draw.replay_day(plan, read_log(EVENING, plan=plan))._repr_html_()
    (tmp_path / "cell.html").write_text(f"<!DOCTYPE html><title>cell</title>{shown}", encoding="utf-8")
    window.open(tmp_path / "cell.html")
    assert window.run("return document.querySelector('img').naturalWidth") > 600
    assert not window.run("return document.querySelector('iframe').checkVisibility()")
    window.run("document.querySelector('summary').click()")
    window.driver.switch_to.frame(0)
    try:
        window.to_begin()
        before = window.text("#clock-time")
        window.press("n")
        assert window.text("#clock-time") > before
    finally:
        window.driver.switch_to.default_content()
