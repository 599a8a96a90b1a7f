"""How large the page of a log is, how fast it opens and how fast it follows the scrubber, in headless Chromium.

    python -m benchmarks.page [PLAN] [--days N] [--seed S]

Needs the `test` extra and the Debian packages chromium and chromium-driver. Times are of this machine: from the start
of navigation to the first picture after the page's script has run; and the work in a frame that a move of the scrubber
causes, style and layout included. It also compares a hundred random minutes with the replay's own lines.
"""

from __future__ import annotations

import random
import statistics
import tempfile
import time
from pathlib import Path

import click

from presence.draw.page import page
from presence.floorplan import Floorplan
from presence.replay import replay
from presence.simulate import simulate
from presence.snapshot import Belief
from tests.browser import browser

OPENED = "await frame(); return performance.now()"
SCRUB = """
    const scrubber = document.getElementById("scrubber"), times = [], texts = [];
    for (const n of args[0]) {
      scrubber.value = n;
      let begin = 0;
      requestAnimationFrame(() => { begin = performance.now(); }); // before the page's own work in this frame
      scrubber.dispatchEvent(new Event("input"));
      await new Promise((done) => requestAnimationFrame(done));
      document.body.getBoundingClientRect();
      times.push(performance.now() - begin);
      texts.push([...document.querySelectorAll("#rows button .value")].map((e) => e.textContent));
    }
    return [times, texts, [...document.querySelectorAll("#rows button .label")].map((e) => e.textContent)];
"""


@click.command()
@click.argument("plan", type=click.Path(exists=True), default="floorplans/two_storey_garage.yaml")
@click.option("--days", type=float, default=1.0, show_default=True)
@click.option("--seed", type=int, default=3, show_default=True)
def main(plan: str, days: float, seed: int) -> None:
    home = Floorplan.load(plan)
    lives = simulate(home, days=days, seed=seed)
    begin = time.perf_counter()
    text = page(home, lives.log, truth=lives.truth, log="log.jsonl")
    click.echo(f"{len(lives.log)} events, {days:g} days: page written in {time.perf_counter() - begin:.1f} s")
    click.echo(f"size {len(text.encode()) / 1000:.0f} kB")
    beliefs = [line for line in replay(home, lives.log) if isinstance(line, Belief)]
    chosen = random.Random(seed).sample(range(len(beliefs)), min(100, len(beliefs)))
    with tempfile.TemporaryDirectory() as folder, browser(Path(folder) / "profile") as window:
        path = Path(folder) / "page.html"
        path.write_text(text, encoding="utf-8")
        opened = []
        for _ in range(5):
            window.open(path)
            opened.append(window.run(OPENED))
        times, texts, labels = window.run(SCRUB, chosen)
    click.echo(f"opens in {statistics.median(opened):.0f} ms (median of {len(opened)}, worst {max(opened):.0f})")
    click.echo(f"follows the scrubber in {statistics.median(times):.1f} ms (median; worst {max(times):.1f})")
    wrong = 0
    for n, shown in zip(chosen, texts, strict=True):
        told = {home.rooms[room].label: _shown(p) for room, p in beliefs[n].rooms.items()}
        wrong += sum(told[label] != value for label, value in zip(labels, shown, strict=True))
    click.echo(f"{len(chosen)} random minutes, {len(labels)} rooms each: {wrong} differ from replay")


def _shown(probability: float) -> str:
    number = int(100 * probability + 0.5)
    return {0: "<1\u00a0%", 100: ">99\u00a0%"}.get(number, f"{number}\u00a0%")


if __name__ == "__main__":
    main()
