"""Screens as SVG pictures, and how much of them is drawn on: `python tools/draw_screens.py --write`.

What is shown is the demo engine: the scenario alder8 through the whole analysis, in its third pull and at the
end. `--write` makes the six pictures in examples/screens anew, `--all FOLDER` draws every screen in every
palette at three sizes for somebody to look at, `--ink` prints which part of the cells is not blank.
"""

from __future__ import annotations

import argparse
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console
from rich.segment import Segment, Segments
from rich.terminal_theme import SVG_EXPORT_THEME

from mixmon.dashboard.app import styles
from mixmon.dashboard.keys import Page
from mixmon.dashboard.palettes import PALETTES
from mixmon.dashboard.readouts import ReadoutHold
from mixmon.dashboard.scene import Scene, Setting, ViewOptions
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.text import Row
from mixmon.gas.fuel import fuel_named
from mixmon.messages.bind import bind, load_databases
from mixmon.pipeline import Pipeline
from mixmon.report.units import unit_named
from mixmon.session.model import Session
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate
from mixmon.watch.history import SECOND_ROWS
from mixmon.watch.observer import Observer
from mixmon.watch.snapshot import Snapshot

FOLDER = Path(__file__).parents[1] / "examples" / "screens"
SIZES = ((80, 24), (120, 40), (200, 60))
SIX = (Page.WATCH, Page.BALANCE, Page.PULLS, Page.EVENTS, Page.ALARMS, Page.BUS)
PULLING_S = 513.0
"""A moment of the scenario: the third pull, with all that came before it."""


def moments(name: str, seed: int, at_s: float) -> tuple[Session, Snapshot, Snapshot]:
    """The session of a scenario, the snapshot at that time, and the last one."""
    simulation = simulate(load_scenario(name), seed=seed)
    binding = bind(simulation.session, load_databases(simulation.session))
    pipeline, observer = Pipeline(binding), Observer(binding)
    then: Snapshot | None = None
    for frames in simulation:
        for rows in pipeline.feed(frames):
            for first in range(0, len(rows), SECOND_ROWS):
                observer.feed(rows.take(slice(first, first + SECOND_ROWS)))
                now = observer.snapshot()
                then = then or (now if now.elapsed_s >= at_s else None)
    for rows in pipeline.flush():
        observer.feed(rows)
    observer.flush()
    end = observer.snapshot()
    return simulation.session, then or end, end


def scene_of(
    session: Session, shown: Snapshot, *, chosen: int | None = None, ascii_only: bool = False
) -> Scene:
    """One moment as a person would look at it."""
    unit = unit_named("lambda", fuel_named("E10"), None)
    options = ViewOptions(unit, ascii=ascii_only, chosen=chosen)
    return Scene(Setting(session), shown, ReadoutHold().feed(shown, 0.0), options, shown)


def ink(rows: list[Row]) -> float:
    """Part of the cells that is not blank, percent."""
    text = "".join(part for row in rows for part, _ in row)
    return 100.0 * (1.0 - text.count(" ") / max(len(text), 1))


def svg(rows: list[Row], palette: str, title: str) -> str:
    """The rows as a picture of a terminal, in the viewer's own font: nothing is fetched to see it."""
    looks = styles(palette)
    width = sum(len(part) for part, _ in rows[0])
    console = Console(
        record=True, width=width, height=len(rows), file=io.StringIO(), color_system="truecolor"
    )
    for row in rows:
        console.print(
            Segments([*(Segment(part, looks[style]) for part, style in row), Segment.line()]), end=""
        )
    drawn_by = re.sub(r"@font-face \{\{.*?\}\}\s*|<!--.*?-->\s*", "", CONSOLE_SVG_FORMAT, flags=re.DOTALL)
    name = f"mixmon-{title.replace(' ', '-')}"
    return console.export_svg(title=title, theme=SVG_EXPORT_THEME, code_format=drawn_by, unique_id=name)


def drawn(scene: Scene, page: Page, size: tuple[int, int], **choices: object) -> list[Row]:
    """One screen."""
    return draw(scene, State(scene.options, page=page, **choices), *size)  # type: ignore[arg-type]


def every(scenes: dict[str, Scene]) -> Iterator[tuple[str, Page, tuple[int, int], list[Row]]]:
    """Every screen of every scene at every size; where a picture can take the table's place, that too."""
    for name, scene in scenes.items():
        for page in Page:
            for size in SIZES:
                yield name, page, size, drawn(scene, page, size)


def print_ink(scenes: dict[str, Scene]) -> None:
    print(f"{'':14}" + "".join(f"{w}x{h:<8}" for w, h in SIZES))
    for name, scene in scenes.items():
        for page in Page:
            parts = "".join(f"{ink(drawn(scene, page, size)):5.1f} %    " for size in SIZES)
            print(f"{name:5} {page.value:<14} {parts}")


def write_six(pulling: Scene, ended: Scene) -> None:
    FOLDER.mkdir(exist_ok=True)
    for page in SIX:
        scene = pulling if page is Page.WATCH else ended
        name = page.value.lower().replace(" & ", " ").replace(" ", "-")
        rows = drawn(scene, page, (120, 40))
        (FOLDER / f"{name}.svg").write_text(svg(rows, "print", name), "utf-8")
        print(FOLDER / f"{name}.svg")


def write_all(folder: Path, scenes: dict[str, Scene]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, page, (width, height), rows in every(scenes):
        for palette in PALETTES:
            file = f"{name}-{page.name.lower()}-{width}x{height}-{palette}.svg"
            (folder / file).write_text(svg(rows, palette, file.removesuffix(".svg")), "utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="make the six pictures in examples/screens anew")
    parser.add_argument(
        "--all", type=Path, metavar="FOLDER", help="every screen, palette and size, to look at"
    )
    parser.add_argument("--ink", action="store_true", help="print which part of the cells is not blank")
    parser.add_argument("--scenario", default="alder8")
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--at", type=float, default=PULLING_S, metavar="SECONDS", help="the moment of a pull")
    asked = parser.parse_args()
    session, then, end = moments(asked.scenario, asked.seed, asked.at)
    pulling = scene_of(session, then)
    ended = scene_of(session, replace(end, leanest=then.leanest))
    scenes = {"pull": pulling, "end": ended}
    if asked.write:
        write_six(pulling, ended)
    if asked.all is not None:
        write_all(asked.all, scenes)
    if asked.ink:
        print_ink(scenes)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
