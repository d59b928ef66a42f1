"""The review page on an invented field: how long a specialist waits for each thing, and what it costs the server.

    python tests/benchmarks/page.py [REPEATS] [small|large]

small is the corn field as it ships, on cells of 5 m; large is the same on cells of 1.5 m, with about 200 polygons drawn
in five zones. Nothing is random. Medians over REPEATS (default 5), in milliseconds from the event in the page to the
second frame after the new numbers stand in it; frames are those of Chromium without a graphics card. Processor time is
the server's, until painted and until it rests again. Other work on the machine lengthens all but processor time.
"""

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

TOP = Path(__file__).resolve().parents[2]
COLUMNS, ROWS, ZONES = 20, 12, 5

#: does something, then gives the milliseconds until a text is another and two frames have passed
PAINTED = """([act, select]) => new Promise((done) => {
  const text = () => [...document.querySelectorAll(select)].map((e) => e.value ?? e.textContent).join("|");
  const before = text(), start = performance.now();
  const look = () => {
    if (text() === before) return;
    watch.disconnect();
    requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - start)));
  };
  const watch = new MutationObserver(look);
  watch.observe(document.body, { childList: true, subtree: true, characterData: true });
  new Function(act)();
})"""
FRAMES = """() => { window.frames_ms = []; let last = performance.now(); window.counting = true;
  const step = (now) => {
    window.frames_ms.push(now - last); last = now;
    if (window.counting) requestAnimationFrame(step);
  };
  requestAnimationFrame((now) => { last = now; requestAnimationFrame(step); }); }"""
SHAPES = """async () => (await (await fetch("api/shapes", { headers: {
  "X-Zonemap-Key": sessionStorage.getItem("zonemap-review-key") } })).json()).polygons.length"""


def main() -> None:
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    for name in sys.argv[2:] or ("small", "large"):
        with tempfile.TemporaryDirectory() as folder:
            measure(name, invented(Path(folder), name), repeats)


def invented(folder: Path, name: str) -> list[str]:
    """Return the command that reviews the field."""
    field = shutil.copytree(TOP / "sample_fields" / "irrigated_corn", folder / "field")
    cell_m = {"small": 5.0, "large": 1.5}[name]
    text = (TOP / "pipelines" / "season_supply.toml").read_text(encoding="utf-8")
    pipeline = folder / "cells.toml"
    changed = text.replace('use = "square_cells"', f'use = "square_cells"\ncell_m = {cell_m}', 1)
    pipeline.write_text(changed, encoding="utf-8")
    if name == "large":
        draw_zones(field)
    begin = "from zonemap.cli import main; main()"
    return [sys.executable, "-c", begin, "review", str(field), "--pipeline", str(pipeline), "--no-browser"]


def draw_zones(field: Path) -> None:
    """Rectangles over the field; none is of the zone of its neighbours."""
    outline = json.loads((field / "boundary.geojson").read_text(encoding="utf-8"))["features"][0]["geometry"]
    lon, lat = zip(*outline["coordinates"][0], strict=True)
    west, south = min(lon), min(lat)
    wide, high = (max(lon) - west) / COLUMNS, (max(lat) - south) / ROWS
    features = []
    for i in range(COLUMNS):
        for j in range(ROWS):
            corners = [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1), (i, j)]
            ring = [[west + x * wide, south + y * high] for x, y in corners]
            shape = {"type": "Polygon", "coordinates": [ring]}
            features.append({"type": "Feature", "properties": {"kind": f"k{(i + 2 * j) % ZONES}"}, "geometry": shape})
    drawn = {"type": "FeatureCollection", "features": features}
    (field / "drawn.geojson").write_text(json.dumps(drawn), encoding="utf-8")
    toml = field / "field.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text + '\n[zones]\nfile = "drawn.geojson"\ncolumn = "kind"\n', encoding="utf-8")


def measure(name: str, command: list[str], repeats: int) -> None:
    with sync_playwright() as started, subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        chromium = shutil.which("chromium") or shutil.which("google-chrome")
        browser = started.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        try:
            assert server.stdout is not None
            address = server.stdout.readline().split()[-1]
            start, used = time.perf_counter(), processor_s(server.pid)
            page.goto(address)
            page.wait_for_selector("html[data-ready]", timeout=120_000)
            page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
            waited, used = time.perf_counter() - start, processor_s(server.pid) - used
            polygons = page.evaluate(SHAPES)
            print(f"{name}: ready {waited * 1e3:.0f} ms, server {used:.2f} s; {polygons} polygons", flush=True)
            told(page, server.pid, repeats)
        finally:
            browser.close()
            server.terminate()


def told(page: Page, server: int, repeats: int) -> None:
    steps: dict[str, Callable[[int], tuple[str, str]]] = {"rate edit": edit, "assurance": slide}
    if page.locator("#count-2").count() and page.locator("#count-3").count():
        steps["number of zones"] = count
    for what, step in steps.items():
        if step is count:  # the slider lets go first
            page.dispatch_event("#assurance", "change")
        rows = []
        for turn in range(repeats):
            rest(server)
            used = processor_s(server)
            waited = page.evaluate(PAINTED, list(step(turn)))
            painted = processor_s(server) - used
            rest(server)
            rows.append((waited, painted, processor_s(server) - used))
        middle, painted, rested = (statistics.median(column) for column in zip(*rows, strict=True))
        most = max(row[0] for row in rows)
        print(
            f"  {what:16} {middle:6.0f} ms (most {most:.0f})   server {painted:.2f} s, {rested:.2f} s until rest",
            flush=True,
        )
    for what, move in {"pan": pan, "zoom": zoom}.items():
        before = page.locator("#map").screenshot()
        page.evaluate(FRAMES)
        move(page)
        frames = sorted(page.evaluate("() => { window.counting = false; return window.frames_ms; }"))
        late = frames[int(0.95 * (len(frames) - 1))]
        page.wait_for_timeout(600)
        still = " (the map stands as it did before)" if page.locator("#map").screenshot() == before else ""
        middle = statistics.median(frames)
        print(
            f"  {what:16} frames of {middle:.1f} ms, 95 % within {late:.1f} ms ({len(frames)} frames){still}",
            flush=True,
        )


def edit(turn: int) -> tuple[str, str]:
    act = f"""const rate = document.querySelector("#zones input[type=number]"); rate.value = {150 + 10 * turn};
      rate.dispatchEvent(new Event("change", {{ bubbles: true }}));"""
    return act, "#zones tfoot td"


def slide(turn: int) -> tuple[str, str]:
    act = f"""const slider = document.querySelector("#assurance"); slider.value = {60 + 3 * turn};
      slider.dispatchEvent(new Event("input"));"""
    return act, "#zones tfoot td"


def count(turn: int) -> tuple[str, str]:
    return f'document.querySelector("#count-{2 + turn % 2}").click()', "#zones tbody"


def pan(page: Page) -> None:
    x, y = middle_of_map(page)
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(60):
        page.mouse.move(x + 2 * step, y + step)
        page.wait_for_timeout(16)
    page.mouse.up()


def zoom(page: Page) -> None:
    page.mouse.move(*middle_of_map(page))
    for step in range(20):
        page.mouse.wheel(0, -120 if step < 10 else 120)
        page.wait_for_timeout(50)


def middle_of_map(page: Page) -> tuple[float, float]:
    page.locator("#map").scroll_into_view_if_needed()
    box = page.locator("#map").bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def rest(server: int, *, most_s: float = 60.0) -> None:
    """Wait until the server has done next to nothing for a second and a half."""
    end = time.monotonic() + most_s
    while time.monotonic() < end:
        used = processor_s(server)
        time.sleep(1.5)
        if processor_s(server) - used < 0.06:
            return


def processor_s(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    main()
