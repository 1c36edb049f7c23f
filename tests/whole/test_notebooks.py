"""Notebooks run from a clean kernel; their pages and all results are looked at in a browser."""

from __future__ import annotations

import html
import os
import re
import shutil
import subprocess
import warnings
from pathlib import Path
from typing import Any

import pytest

import shadematch as sm
from shadematch.keeping.saved import kept
from tests.notebooks import FOLDER, LARGEST_BYTES, cells_of, notebook_of, page_of, run, sources

pytest.importorskip("nbclient")

NASTY = "<script>document.title = 'run'</script><img src=x onerror=\"document.title='run'\">"


def browser() -> str:
    """A headless browser: ``SHADEMATCH_BROWSER``, or a Chromium on the path."""
    named = os.environ.get("SHADEMATCH_BROWSER")
    for name in [named] if named else ["chromium", "chromium-browser"]:
        found = shutil.which(name)
        if found:
            return found
    if os.environ.get("SHADEMATCH_NEEDS_BROWSER"):
        pytest.fail("no Chromium was found, and SHADEMATCH_NEEDS_BROWSER says there must be one")
    pytest.skip("no Chromium here: pages were not looked at (set SHADEMATCH_BROWSER to one)")


def opened(page: Path, folder: Path) -> str:
    """The page's elements after its scripts, if any, have run; no network."""
    done = subprocess.run(
        [
            *(browser(), "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic"),
            *("--no-first-run", "--disable-background-networking", "--disable-component-update"),
            *("--disable-sync", "--host-resolver-rules=MAP * ~NOTFOUND"),
            *(f"--user-data-dir={folder}", "--virtual-time-budget=2000", "--dump-dom"),
            page.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    return done.stdout


def stored(source: Path) -> Any:
    import nbformat

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return nbformat.read(source.with_suffix(".ipynb"), as_version=4)


def is_figure(output: Any) -> bool:
    """Whether an output is one of our figures, as SVG."""
    return 'class="sm-figure"' in "".join(output.get("data", {}).get("text/html", ""))


def test_there_are_notebooks() -> None:
    assert [p.stem[:2] for p in sources()] == sorted(p.stem[:2] for p in sources())
    assert {p.stem for p in sources()} == {p.stem for p in FOLDER.glob("*.ipynb")}
    assert len(sources()) >= 2


@pytest.mark.parametrize("source", sources(), ids=lambda p: p.stem)
def test_what_is_stored_is_its_source_run(source: Path) -> None:
    path = source.with_suffix(".ipynb")
    assert path.stat().st_size < LARGEST_BYTES
    notebook = stored(source)
    kinds = [(cell.cell_type, cell.source) for cell in notebook.cells]
    assert kinds == cells_of(source), "run: python -m tests.notebooks"
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1))
    outputs = [out for cell in code for out in cell.outputs]
    assert all(out.output_type != "error" for out in outputs)
    shown = [out["data"] for out in outputs if is_figure(out)]
    # As many as are drawn: a backend that stops showing them would not be noticed otherwise.
    drawn = sum(len(re.findall(r"draw_\w+\(|\.show\(\);|turning\(", c.source)) for c in code)
    assert len(shown) >= max(drawn, 1)
    # Every figure follows the page's light or dark, and says in words what it shows.
    for data in shown:
        labels = re.findall(r'<svg role="img" aria-label="([^"]*)"', "".join(data["text/html"]))
        assert labels and all(len(words) > 10 for words in labels)
    assert "<script" not in path.read_text(encoding="utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("source", sources(), ids=lambda p: p.stem)
def test_notebook_runs_from_a_clean_kernel(source: Path) -> None:
    done = run(notebook_of(cells_of(source)))
    now = [cell for cell in done.cells if cell.cell_type == "code"]
    then = [cell for cell in stored(source).cells if cell.cell_type == "code"]
    for new, old in zip(now, then, strict=True):
        assert [_form(o) for o in new.outputs] == [_form(o) for o in old.outputs]


def _form(output: Any) -> tuple[str, ...]:
    """Of which kinds an output is; printed text may come in one piece or several."""
    return (output.output_type, *sorted(output.get("data", {})))


def _cards() -> dict[str, str]:
    """HTML of every result that draws itself, with a name that would like to be a script."""
    demo = sm.demo_palette()
    nasty = demo.pigments[0].model_copy(update={"name": NASTY[:60]})
    palette = demo.model_copy(update={"pigments": (nasty, *demo.pigments[1:])})
    name = palette.names[0]
    found = sm.gamut(palette=palette, pour=sm.Pour(batch_g=100))
    feasible = sm.feasibility("#e0b000", palette=palette, thicknesses_cm=(1, 2), whites=(0, 0.1))
    target = sm.Target(sm.Target.from_hex("#e0b000").lab, source=NASTY)
    pour = sm.Pour(batch_g=300)
    recipe = sm.Recipe({name: 3}, pour)
    lamp = sm.Illuminant(NASTY[:60], tuple(range(380, 741, 20)), (1.0,) * 19)
    order = sm.Order(name=NASTY[:60], target="#e0b000", bars=2, pour=pour)
    plan = sm.plan([order], sm.Stock.of({name: 1}), palette=palette)
    results = {
        "match": sm.match(target, palette=palette, pour=sm.Pour(batch_g=100)),
        "predict": sm.predict({name: 2}, palette=palette, pour=sm.Pour(batch_g=100)),
        "gamut": found,
        "nearest": found.nearest("#00ffff"),
        "coverage": found.coverage([target]),
        "feasibility": feasible,
        "comparison": feasible.compare(demo.without("dusk"), name=NASTY),
        "ladder": sm.ladder({name: 1}, along="load", palette=palette, pour=sm.Pour(batch_g=100)),
        "lights": sm.lights(recipe, target, palette=palette, lights=["D65", lamp]),
        "same look": sm.same_look(recipe, palette=palette, to_pour=sm.Pour(batch_g=600)),
        "smallest batch": sm.smallest_batch(target, palette=palette, within=5, largest_g=200),
        "layers": sm.layers(
            [({name: 2}, 0.5), ({}, 0.5)], palette=palette, pour=sm.Pour(batch_g=100)
        ),
        "wedge": sm.wedge(
            {name: 2}, from_cm=0.1, to_cm=1, palette=palette, pour=sm.Pour(batch_g=100)
        ),
        "spread": sm.spread(recipe, palette=palette, target=target),
        "pot": sm.in_the_pot(recipe, palette=palette),
        "correction": sm.correct(recipe, (60, 8, 60), target, palette=palette),
        "plan": plan,
        "saved": kept(recipe, palette=palette, note=NASTY),
    }
    return {key: result._repr_html_() for key, result in results.items()}


def test_results_in_a_browser(tmp_path: Path) -> None:
    """Swatches are there, names stay text, nothing from the data runs; light page and dark."""
    cards = _cards()
    for theme in ("#ffffff;color:#000000", "#111111;color:#eeeeee"):
        page = tmp_path / "results.html"
        body = "".join(f"<h2>{key}</h2>{card}" for key, card in cards.items())
        page.write_text(
            f'<!DOCTYPE html><meta charset="utf-8"><title>still</title>'
            f'<body style="background:{theme}">{body}</body>',
            encoding="utf-8",
        )
        seen = opened(page, tmp_path / "browser")
        assert "<title>still</title>" in seen
        assert "<script" not in seen and "<img" not in seen
        # Every swatch that was written is an element with its colour and a size.
        written = len(re.findall(r"height:4em;background:#[0-9a-f]{6}", "".join(cards.values())))
        shown = re.findall(r'<div style="height:4em;background:#[0-9a-f]{6}', seen)
        assert len(shown) == written >= 20
        told = {key for key, card in cards.items() if html.escape(NASTY[:20]) in card}
        assert set(cards) - told <= {"coverage", "nearest"}  # one has no names, one other pastes
        assert html.escape(NASTY[:60], quote=False) in seen


@pytest.mark.parametrize("source", sources(), ids=lambda p: p.stem)
def test_notebook_pages_in_a_browser(source: Path, tmp_path: Path) -> None:
    notebook = stored(source)
    page = tmp_path / f"{source.stem}.html"
    page.write_text(page_of(notebook, source.stem), encoding="utf-8")
    seen = opened(page, tmp_path / "browser")
    assert "<script" not in seen
    outputs = [o for c in notebook.cells if c.cell_type == "code" for o in c.outputs]
    figures = sum(map(is_figure, outputs))
    assert len(re.findall('<svg [^>]*class="sm-figure"', seen)) == figures
    cards = "".join(
        "".join(o["data"]["text/html"]) for o in outputs if "text/html" in o.get("data", {})
    )
    swatches = re.findall(r"height:4em;background:(#[0-9a-f]{6})", cards)
    shown = re.findall(r"height:4em;background:(#[0-9a-f]{6})", seen)
    assert shown == swatches
    assert swatches or figures
