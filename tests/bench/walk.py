"""The walk in the gamut in JupyterLab: ``python -m tests.bench.walk [--clicks 50]``.

Starts JupyterLab on this machine alone, opens a notebook with `shadematch.plots.walk` in headless
Chromium, runs it and clicks on colours all over the slice. Told is the time from a click to the
recipe that is shown: its proof comes later, once the hand rests. ``--picture FILE`` keeps what was
seen.
"""

from __future__ import annotations

import argparse
import json
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path

from tests.browser import Browser

CELL = "import shadematch as sm\nfrom shadematch import plots\n\nplots.walk(sm.gamut())"
NOTEBOOK = {
    "cells": [
        {
            **{"cell_type": "code", "id": "walk", "metadata": {}, "execution_count": None},
            **{"outputs": [], "source": CELL},
        }
    ],
    "metadata": {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}
    },
    "nbformat": 4,
    "nbformat_minor": 5,
}
WALK = "document.querySelector('.smw')"
CLICK = """
(async () => {
  const walk = document.querySelector('.smw'), canvas = walk.querySelector('canvas');
  const box = canvas.getBoundingClientRect(), before = walk.dataset.answered;
  const begun = performance.now();
  canvas.dispatchEvent(new PointerEvent('pointerdown', {
    clientX: box.left + box.width * ACROSS, clientY: box.top + box.height * DOWN,
    pointerId: 1, bubbles: true,
  }));
  while (walk.dataset.answered === before) await new Promise(go => setTimeout(go, 1));
  return performance.now() - begun;
})()
"""


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def _started(place: str, seconds: float = 60.0) -> None:
    until = time.monotonic() + seconds
    while True:
        try:
            urllib.request.urlopen(f"{place}/api").close()
        except (urllib.error.URLError, ConnectionError):
            if time.monotonic() > until:
                raise
            time.sleep(0.3)
        else:
            return


def clicked(browser: Browser, place: str, clicks: int) -> list[float]:
    """Times from click to recipe [ms]."""
    browser.looks(width=1300, height=1000)
    browser.open(f"{place}/lab/tree/walk.ipynb")
    cell = "window.jupyterapp && document.querySelector('.jp-Notebook .jp-Cell')"
    browser.wait_for(f"!!({cell})", seconds=90)
    time.sleep(6)  # the kernel is chosen only after the notebook is shown
    run = "window.jupyterapp.commands.execute('notebook:run-all-cells').then(() => 1)"
    browser.value(run)
    browser.wait_for(f"!!{WALK} && !!{WALK}.dataset.proved", seconds=120)
    browser.value("HTMLCanvasElement.prototype.setPointerCapture = () => {}")
    times = []
    for i in range(clicks):
        across, down = 0.35 + 0.3 * ((i * 7) % 50) / 50, 0.3 + 0.35 * ((i * 13) % 50) / 50
        text = CLICK.replace("ACROSS", f"{across:.4f}").replace("DOWN", f"{down:.4f}")
        times.append(float(browser.value(text)))
        rests = f"{WALK}.dataset.proved === {WALK}.dataset.answered"
        browser.wait_for(rests, seconds=30)
    return times


def main() -> None:
    """Tell the times."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clicks", type=int, default=50)
    parser.add_argument("--picture", type=Path)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "walk.ipynb").write_text(json.dumps(NOTEBOOK), encoding="utf-8")
        port = _free_port()
        words = ("jupyterlab", "--allow-root", "--no-browser", "--ip=127.0.0.1", f"--port={port}")
        options = (
            *("--ServerApp.token=", "--ServerApp.password=", f"--ServerApp.root_dir={folder}"),
            "--LabApp.expose_app_in_browser=True",
        )
        lab = subprocess.Popen(
            [sys.executable, "-m", *words, *options],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            place = f"http://127.0.0.1:{port}"
            _started(place)
            with Browser() as browser:
                times = clicked(browser, place, args.clicks)
                if args.picture is not None:
                    browser.picture(args.picture, whole=False)
                complaints = browser.complaints
        finally:
            lab.terminate()
            lab.wait()
    print(
        f"{len(times)} clicks, from click to recipe: median {statistics.median(times):.0f} ms, "
        f"{min(times):.0f} to {max(times):.0f} ms; {len(complaints)} complaints of the console"
    )


if __name__ == "__main__":
    main()
