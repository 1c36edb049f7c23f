"""Make ``gallery.md``: all figures and cards, light and dark: ``python docs/make_gallery.py``.

Figures are those that the other commands here have drawn; cards are made anew, of the invented
demo palette. From the project's root.
"""

import contextlib
import re
import sys
import tempfile
from pathlib import Path

import shadematch as sm

HERE = Path(__file__).resolve().parent
HEAD = """# All figures and cards

This page shows every figure and card twice, on a light page and on a dark one. Functions of
`shadematch.plots` draw the figures; results show their cards by themselves in a notebook. All use
the invented demo palette. `python docs/make_gallery.py` makes the page.
"""


def cards():
    """Name and result of every card."""
    data = HERE.parent / "data"
    pour = sm.Pour(batch_g=1000, thickness_cm=2.0)
    small = sm.Pour(batch_g=500)
    match = sm.match("#d9822b", pour=pour)
    recipe = match.recipe
    gamut = sm.gamut()
    yield "Target", sm.Target.from_hex("#d9822b")
    yield "Palette", sm.demo_palette()
    yield "Recipe", recipe
    yield "Match", match
    yield "A match of what can't be made", sm.match("#00c8ff", pour=small)
    yield "Prediction", sm.predict({"jetty": 3})
    yield (
        "Photo",
        sm.read_photo(
            data / "photos" / "lamp.jpg",
            region=(0.70, 0.15, 0.95, 0.60),
            chart=((0.10, 0.12), (0.60, 0.12), (0.60, 0.60), (0.10, 0.60)),
        ),
    )
    yield "Feasibility", sm.feasibility("#7fb069", pour=small, thicknesses_cm=(0.5, 1, 2, 4))
    yield "Gamut", gamut
    yield "Nearest", gamut.nearest("#00ffff")
    some = [sm.Target.from_hex(code) for code in ("#d9822b", "#7fb069", "#00c8ff", "#202020")]
    yield "Coverage", gamut.coverage(some, within=2)
    yield "Ladder", sm.ladder({"gorse": 1, "rosehip": 1}, along="load")
    yield "Spread", sm.spread(recipe, target="#d9822b")
    yield "Smallest batch", sm.smallest_batch("#d9822b", within=1.0, largest_g=600)
    yield "The same look", sm.same_look(match, to_pour=sm.Pour(batch_g=500, white=0.05))
    yield "Lights", sm.lights(recipe, "#d9822b", lights=["D65", "FL2", "A"])
    yield "In the pot", sm.in_the_pot(recipe, depth_cm=6, pot="steel")
    yield "Correction", sm.correct(recipe, (57, 34, 59), "#d9822b", pot_g=1500)
    yield "Layers", sm.layers([({"gorse": 2}, 0.6), ({}, 1.0), ({"jetty": 2}, 0.8)])
    yield "Wedge", sm.wedge({"rosehip": 2, "dusk": 1}, from_cm=0.1, to_cm=2.5)
    yield "Cost", sm.cost(recipe, stock=sm.Stock(clear_price_kg=6))
    orders, stock = sm.read_orders(data / "order-book.csv"), sm.read_stock(data / "shelf.csv")
    yield "Plan", sm.plan(orders, stock, buy=True)
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        journal = sm.Journal("journal.jsonl", pigments=["lemon", "rose", "iris"])
        journal.add({"lemon": 3}, (85, -6, 105), pour=sm.Pour(batch_g=250))
        journal.add({"rose": 3}, (68, 65, -21), pour=sm.Pour(batch_g=250))
        yield "Journal: the bar that would teach most", journal.next()
        number = journal.pour({"lemon": 4, "rose": 2}, pour=small)
        yield "Journal: a lesson", journal.measured(number, (76, 20, 77))
        swapped = journal.add({"lemon": 4}, (73, 53, -18), pour=small)
        yield "Journal: a bar that does not fit", swapped
        yield "Journal: its report", journal
    yield "Calibration", sm.calibrate(sm.read_test_pours(data / "test-pours.csv"))


def twice(inside):
    """Something on a light ground and on a dark one."""
    return "\n".join(
        f'<div class="always-{theme}" data-theme="{theme}">{inside}</div>'
        for theme in ("light", "dark")
    )


def main():
    """Write the page."""
    alts, pages = {}, {}
    for page in sorted(HERE.glob("*.md")):
        if page.name != "gallery.md":
            text = page.read_text("utf-8")
            for alt, name in re.findall(r"!\[([^\]]+)\]\(([\w-]+\.svg)\)", text):
                alts.setdefault(name, alt)
                if page.name != "index.md":
                    title = re.findall("^# (.+)", text)[0]
                    pages.setdefault(name, f"From [{title}]({page.name}).\n")
    parts = [HEAD, "## Figures\n"]
    for name, alt in sorted(alts.items()):
        parts += [
            f"### {name.removesuffix('.svg').replace('-', ' ').capitalize()}\n",
            pages.get(name, ""),
        ]
        for theme in ("light", "dark"):
            parts += [f"```{{container}} always-{theme}\n![{alt}]({name})\n```\n"]
    parts.append("## Cards\n")
    place, styles = len(parts), {}
    for name, result in cards():
        print(name, flush=True)
        # Lines without words would end the block of HTML.
        html = re.sub(r"\n\s*\n", "\n", result._repr_html_())
        styles |= dict.fromkeys(re.findall(r"<style>.*?</style>", html, flags=re.DOTALL))
        html = re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
        parts.append(f"### {name}\n\n````{{raw}} html\n{twice(html)}\n````\n")
    # The style of cards once, not in each of them.
    parts.insert(place, f"```{{raw}} html\n{''.join(styles)}\n```\n")
    (HERE / "gallery.md").write_text("\n".join(parts), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
