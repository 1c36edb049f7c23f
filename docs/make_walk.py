"""Make ``_static/walk.html``, a gamut to walk in without a kernel: ``python docs/make_walk.py``.

One page that fetches nothing: the script of the notebook's walk, cuts of the invented demo palette
and a recipe for each of their points, found as the notebook does before it proves. From the
project's root; some minutes.
"""

import json
import sys
from importlib import resources
from pathlib import Path

import shadematch as sm
from shadematch.plots import walk

GOAL = Path(__file__).parent / "_static" / "walk.html"
CHOICES = {
    "lightness": [20, 30, 40, 50, 60, 70, 80, 90],
    "thickness": [0.5, 1.0, 2.0],
    "white": [0, 5, 20],
    "batch": [500],
}
PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width"><meta name="color-scheme" content="light dark">
<meta http-equiv="Content-Security-Policy"
content="default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'">
<title>A walk in the gamut</title></head><body style="margin:0"><div id="walk"></div>
<script type="application/json" id="tables">TABLES</script><script type="module">
SCRIPT
const tables = JSON.parse(document.getElementById("tables").textContent);
const recipe = (cut, asked) => {
  const column = Math.round((asked.a - cut.left) / cut.step);
  const row = Math.round((asked.b - cut.foot) / cut.step);
  const near = cut.recipes.map((r, i) => [r, i]).filter(([r]) => r)
    .map(([r, i]) => [Math.hypot(i % cut.columns - column, Math.floor(i / cut.columns) - row), r]);
  const [away, found] = near.reduce((one, other) => other[0] < one[0] ? other : one);
  const [hex, shown, wanted, wantedShown, delta_e, doses] = found;
  return {hex, shown, wanted, wanted_shown: wantedShown, delta_e, unit: "cm", base: cut.base,
    doses: doses.map((d, i) => [tables.names[i], d]).filter(d => d[1] > 0),
    held: away > 1 ? "That can't be made here; this is for the nearest point that can."
      : delta_e > 1 ? "Whole doses in this batch hold it back. A larger batch helps."
      : "Dosed exactly, most people see no difference. Slips are not counted here."};
};
const ask = asked => setTimeout(() => {
  const cut = tables.cuts[[asked.thickness, asked.white, asked.lightness].join()];
  answered({asked: asked.number, cut, recipe: recipe(cut, asked)});
}, 0);
const start = {lightness: 60, thickness: 1, white: 0, batch: 500, a: 24, b: 40};
let answered = () => {};
answered = walk(document.getElementById("walk"), start, ask, tables.choices);
</script></body></html>
"""


def main():
    """Write the page."""
    found = walk(sm.gamut())
    names = sm.demo_palette().names
    cuts = {}
    for thickness in CHOICES["thickness"]:
        for white in CHOICES["white"]:
            for lightness in CHOICES["lightness"]:
                asked = {"lightness": lightness, "thickness": thickness, "white": white}
                asked["batch"] = CHOICES["batch"][0]
                cut = found.cut(asked, exact=True)
                recipes = []
                for i, made in enumerate(cut["made"]):
                    asked["a"] = cut["left"] + cut["step"] * (i % cut["columns"])
                    asked["b"] = cut["foot"] + cut["step"] * (i // cut["columns"])
                    if not made:
                        recipes.append(None)
                        continue
                    told = found.recipe(asked, proved=False)
                    cut["base"] = told["base"]
                    doses = dict(told["doses"])
                    recipes.append(
                        [
                            *(told[n] for n in ("hex", "shown", "wanted", "wanted_shown")),
                            round(told["delta_e"], 2),
                            [doses.get(name, 0) for name in names],
                        ]
                    )
                cuts[f"{thickness:g},{white:g},{lightness:g}"] = {**cut, "recipes": recipes}
            print(f"{thickness:g} cm, {white} % white", flush=True)
    tables = {
        "choices": CHOICES,
        "names": names,
        "cuts": {k: v for k, v in cuts.items() if any(v["made"])},
    }
    text = json.dumps(tables, separators=(",", ":")).replace("</", "<\\/")
    script = resources.files("shadematch").joinpath("resources", "walk.js").read_text("utf-8")
    script = script.replace("export default {render};", "").replace("export function", "function")
    script = script.replace("Not proved yet.", "Looked up, not proved.")
    GOAL.write_text(PAGE.replace("SCRIPT", script).replace("TABLES", text), encoding="utf-8")
    print(f"{GOAL.name}: {GOAL.stat().st_size:,} bytes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
