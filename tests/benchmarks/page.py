"""The review page in a browser with software rendering: how long until it is ready, and until an edit shows.

    python tests/benchmarks/page.py [REPEATS]

Two fields, both the corn field: as it comes (5 m cells, about 24,000), and with cells of 1.5 m (about 266,000) on zones
from a file, 240 polygons of 8 zones. Each is opened in a process of its own, and REPEATS (default 5) times each:

- ready: from the page's address to a map, tables and totals, in a new window;
- rate edit: from the change of an input to the frame after the table shows it;
- slider: from its move to the frame after rates and totals follow;
- panning: frames while the map moves for a second: the median and the 95th of 100.

Medians in ms are printed, and for an edit what the server itself takes (its answer, CPU time of its process). The ratio
is the field of many cells over that of few.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from shapely import box, get_parts, union_all
from shapely.geometry import mapping, shape

TOP = Path(__file__).resolve().parents[2]
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
_EDIT = """([id, event, value]) => new Promise((done) => {
    const began = performance.now();
    new MutationObserver((_, watch) => {
        watch.disconnect();
        requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - began)));
    }).observe(document.getElementById("zones"), { childList: true, subtree: true });
    const input = document.getElementById(id);
    input.value = value;
    input.dispatchEvent(new Event(event));
})"""
_POLYGONS = "async () => (await (await import('./ask.js')).get('shapes')).polygons.length"
_FRAMES = """() => {
    window.frames_ms = [];
    let last = performance.now();
    const beat = (now) => {
        window.frames_ms.push(now - last);
        last = now;
        window.beating = requestAnimationFrame(beat);
    };
    requestAnimationFrame(beat);
}"""


def main() -> None:
    """Open both fields and print what was measured."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    with tempfile.TemporaryDirectory() as scratch:
        found = {name: _measured(make(Path(scratch) / name), repeats) for name, make in FIELDS.items()}
    names = list(found)
    print(f"{'median of ' + str(repeats):32s}" + "".join(f"{name:>16s}" for name in names) + f"{'ratio':>8s}")
    for key in found[names[0]]:
        values = [found[name].get(key) for name in names]
        ratio = f"{values[1] / values[0]:8.1f}" if all(values) else ""
        print(f"{key:32s}" + "".join("               -" if v is None else f"{v:16.1f}" for v in values) + ratio)


def few_cells(folder: Path) -> tuple[Path, str | None]:
    """Copy the corn field."""
    return Path(shutil.copytree(TOP / "sample_fields" / "irrigated_corn", folder)), None


def many_cells(folder: Path) -> tuple[Path, str | None]:
    """Copy the corn field, with fine cells and 240 polygons of eight zones."""
    field, _ = few_cells(folder)
    outline = json.loads((field / "boundary.geojson").read_text(encoding="utf-8"))
    area = union_all([shape(feature["geometry"]) for feature in outline["features"]])
    west, south, east, north = area.bounds
    easts, norths = np.linspace(west, east, 18), np.linspace(south, north, 17)
    cells = [box(w, s, e, n) for w, e in pairwise(easts) for s, n in pairwise(norths)]
    patches = [part for cell in cells for part in get_parts(cell.intersection(area)) if part.area > 0]
    order = np.random.default_rng(0).integers(1, 9, len(patches))
    features = [
        {"type": "Feature", "properties": {"zone": int(zone)}, "geometry": mapping(patch)}
        for patch, zone in zip(patches, order, strict=True)
    ]
    drawn = {"type": "FeatureCollection", "features": features}
    (field / "zones.geojson").write_text(json.dumps(drawn), encoding="utf-8")
    with (field / "field.toml").open("a", encoding="utf-8") as toml:
        toml.write('\n[zones]\nfile = "zones.geojson"\ncolumn = "zone"\n')
    text = (TOP / "pipelines" / "season_supply.toml").read_text(encoding="utf-8")
    fine = field / "fine.toml"
    fine.write_text(text.replace('use = "square_cells"', 'use = "square_cells"\ncell_m = 1.5', 1), encoding="utf-8")
    return field, str(fine)


FIELDS = {"24,000 cells": few_cells, "266,000 cells": many_cells}


def _measured(made: tuple[Path, str | None], repeats: int) -> dict[str, float]:
    from playwright.sync_api import sync_playwright

    field, pipeline = made
    command = [
        sys.executable,
        "-c",
        "from zonemap.cli import main; main()",
        "review",
        str(field),
        "--no-browser",
        "--port",
        "0",
    ]
    with subprocess.Popen(
        [*command, *(["--pipeline", pipeline] if pipeline else [])], stdout=subprocess.PIPE, text=True
    ) as server:
        try:
            address = _address(server)
            executable = next(path for name in BROWSERS if (path := shutil.which(name)))
            with sync_playwright() as started:
                browser = started.chromium.launch(executable_path=executable, args=["--no-sandbox", "--disable-gpu"])
                return _of_page(browser, address, server.pid, repeats)
        finally:
            server.terminate()


def _address(server: subprocess.Popen[str]) -> str:
    for line in server.stdout or ():
        if "http://127" in line:
            return next(word for word in line.split() if word.startswith("http://127"))
    message = "the server gave no address"
    raise RuntimeError(message)


def _of_page(browser: Any, address: str, pid: int, repeats: int) -> dict[str, float]:
    ready, edit, slide, work = ([] for _ in range(4))
    for _ in range(repeats):
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        began = time.perf_counter()
        page.goto(address)
        page.wait_for_selector("html[data-ready]")
        ready.append(1000 * (time.perf_counter() - began))
        page.wait_for_selector("#notes li", state="attached", timeout=120_000)
        if len(ready) < repeats:
            page.close()
    first = page.evaluate("() => document.querySelector('#zones input[type=number]').id")
    for number in range(repeats):
        page.wait_for_timeout(1500)
        before = _cpu_ms(pid)
        edit.append(page.evaluate(_EDIT, [first, "change", str(60 + 5 * number)]))
        work.append(_cpu_ms(pid) - before)
        page.wait_for_timeout(4000)
    for number in range(repeats):
        page.wait_for_timeout(1500)
        slide.append(page.evaluate(_EDIT, ["assurance", "input", str(60 + 3 * number)]))
    page.evaluate("() => document.getElementById('assurance').dispatchEvent(new Event('change'))")
    page.wait_for_timeout(3000)
    page.evaluate("() => document.getElementById('undo').click()")
    page.wait_for_timeout(15_000)
    return {
        "polygons": float(page.evaluate(_POLYGONS)),
        "ready": statistics.median(ready),
        "rate edit": statistics.median(edit),
        "of it the server (CPU)": statistics.median(work),
        "slider": statistics.median(slide),
        **_panning(page),
    }


def _panning(page: Any) -> dict[str, float]:
    box = page.locator("#map").bounding_box()
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.evaluate(_FRAMES)
    page.mouse.move(*middle)
    page.mouse.down()
    for step in range(60):
        page.mouse.move(middle[0] + 2 * step, middle[1] + step)
        page.wait_for_timeout(16)
    page.mouse.up()
    frames = sorted(page.evaluate("() => { cancelAnimationFrame(window.beating); return window.frames_ms; }"))
    return {"panning, frame": statistics.median(frames), "panning, 95th": frames[int(0.95 * len(frames))]}


def _cpu_ms(pid: int) -> float:
    """CPU time of a process (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return 1000 * (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    main()
