"""Five hundred answers of the library, frozen: problems as plain data, and what it says to them.

Problems and answers stand side by side in ``tests/reference/frozen_matches.json``, one problem a
line. `test_frozen` asks them again. ``python -m tests.whole.frozen --write`` computes the answers
anew (a minute or two); the problems stay. Nobody else has checked these numbers: they tell that an
answer has changed, not that it is right.

`ask` and `plain` alone know what the library calls things.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

import shadematch as sm
from shadematch.correction.results import Correction
from shadematch.predicting.prediction import Prediction

FILE = Path(__file__).parents[1] / "reference" / "frozen_matches.json"
HEADER = (
    "Computed by shadematch itself at commit b6a5a95 as a regression guard (python -m "
    "tests.whole.frozen --write); no outside check. Palettes and problems are invented. "
    "Masses in g, lengths in cm, loads in cm per 100 g, colour differences in CIEDE2000."
)
WAVES = np.arange(380, 731, 10)

Data = dict[str, Any]


def spectrum(shape: Data) -> tuple[float, ...]:
    """A curve at `WAVES`: a level, bands (height, centre, width), a power (height, exponent)."""
    curve = np.full(WAVES.size, float(shape["level"]))
    for height, centre, width in shape["bands"]:
        curve += height * np.exp(-(((WAVES - centre) / width) ** 2))
    height, exponent = shape["power"]
    return tuple((curve + height * (550 / WAVES) ** exponent).tolist())


def ask(problem: Data, palettes: dict[str, Data]) -> Any:
    """What the library answers to one problem."""
    told = palettes[problem["palette"]]
    if told == {"shipped": "demo"}:
        palette = sm.demo_palette()
    else:
        pastes = [
            {key: spectrum(shape) for key, shape in paste.items() if key != "name"}
            | {"name": paste["name"]}
            for paste in told["pastes"]
        ]
        clear, white = (
            sm.Base(
                absorption=spectrum(told[name]["absorption"]),
                scattering=spectrum(told[name]["scattering"]),
            )
            for name in ("clear", "white")
        )
        palette = sm.Palette(
            pigments=tuple(sm.Pigment(**paste) for paste in pastes), clear=clear, white=white
        )
    pour = sm.Pour(
        batch_g=problem["batch_g"],
        thickness_cm=problem["thickness_cm"],
        white=problem["white"],
        max_load=problem["max_load"],
        dose_step=problem["dose_step"],
    )
    view = sm.View(
        illuminant=problem["illuminant"],
        observer=problem["observer"],
        backing=problem["backing"],
        contact={"air": "dry", "optical": "wet"}[problem["contact"]],
        through=problem["light"] == "transmitted",
    )
    if problem["call"] == "predict":
        return sm.predict(problem["doses"], palette=palette, pour=pour, view=view)
    wanted = problem["target"]
    if "hex" in wanted:
        target = sm.Target.from_hex(wanted["hex"])
    elif "lab" in wanted:
        target = sm.Target.from_lab(
            wanted["lab"], illuminant=wanted["illuminant"], observer=wanted["observer"]
        )
    else:
        target = sm.Target.from_reflectance(wanted["nm"], wanted["reflectance"])
    if problem["call"] == "correct":
        return sm.correct(
            sm.Recipe(problem["doses"], pour),
            problem["measured"],
            target,
            palette=palette,
            view=view,
            within=problem["tolerance"],
            max_load=problem["max_load"],
            pot_g=problem["pot_g"],
            bases=problem["bases"],
            base_step_g=problem["base_step_g"],
            must_avoid=problem["must_avoid"],
            strength_spread=problem["strength_spread"],
            white_spread=problem["white_spread"],
            dose_slip=problem["ruler_cm"],
            scale_g=problem["scale_g"],
            measured_spread=problem["measured_spread"],
            model_spread=problem["model_spread"],
        )
    return sm.match(
        target,
        palette=palette,
        pour=pour,
        view=view,
        tolerance=problem["tolerance"],
        max_pigments=problem["max_pigments"],
        must_use=problem["must_use"],
        must_avoid=problem["must_avoid"],
        lights=problem["lights"],
        let_downs=[
            sm.LetDown(
                pigment=each["paste"],
                paste_per_g=each["cm_per_g"],
                step_g=each["step_g"],
                white=each["white"],
            )
            for each in problem["let_downs"]
        ],
        robust=False,
    )


def plain(answer: Any) -> Data:
    """An answer as plain data."""
    if isinstance(answer, Prediction):
        return {
            "lab": list(answer.lab),
            "hex": answer.hex,
            "reflectance": np.asarray(answer.reflectance).tolist(),
        }
    if isinstance(answer, Correction):
        added: Data = {}
        for key, one in (("smallest", answer.smallest), ("closest", answer.closest)):
            added[key] = one and {
                "doses": dict(one.doses),
                "clear_g": one.clear_g,
                "white_g": one.white_g,
                "delta_e": one.delta_e,
            }
        return added | {
            "bound": answer.bound,
            "proved": answer.proved,
            "believed_delta_e": answer.believed_delta_e,
        }
    found: Data = {}
    for key, one in (("closest", answer.closest), ("frugal", answer.frugal)):
        masses = {part.let_down: part.mass_g for part in one.recipe.weighed}
        found[key] = {
            "doses": dict(one.recipe.doses),
            "let_downs_g": [masses.get(each, 0.0) for each in answer.let_downs],
            "delta_e": one.delta_e,
        }
    return found | {
        "bound": answer.bound,
        "proved": answer.proved,
        "frugal_proved": answer.frugal_proved,
        "ideal_delta_e": answer.ideal.delta_e,
    }


def read() -> Data:
    """The file."""
    kept: Data = json.loads(FILE.read_text(encoding="utf-8"))
    return kept


def answered(problem: Data, palettes: dict[str, Data]) -> tuple[Data, float]:
    """The answer, and what it took [s]."""
    start = time.process_time()
    return plain(ask(problem, palettes)), time.process_time() - start


def write(palettes: dict[str, Data], problems: list[Data]) -> None:
    """Answer all problems and write the file."""
    with ProcessPoolExecutor(2) as pool:
        said = list(pool.map(answered, problems, [palettes] * len(problems), chunksize=26))
    store(palettes, problems, said)


def store(palettes: dict[str, Data], problems: list[Data], said: list[tuple[Data, float]]) -> None:
    """Write the file, and tell what the answers took."""
    kept = [{"problem": p, "answer": a} for p, (a, _) in zip(problems, said, strict=True)]
    took = {p["name"]: seconds for p, (_, seconds) in zip(problems, said, strict=True)}

    def lines(values: list[str]) -> str:
        return ",\n".join(values)

    pots = [f"{json.dumps(name)}: {json.dumps(told)}" for name, told in palettes.items()]
    text = (
        f'{{"header": {json.dumps(HEADER)},\n"palettes": {{\n{lines(pots)}\n}},\n'
        f'"problems": [\n{lines([json.dumps(each, allow_nan=False) for each in kept])}\n]}}\n'
    )
    FILE.write_text(text, encoding="utf-8")
    kinds = Counter(name.rsplit(" ", 1)[0] for name in took)
    for kind, number in kinds.items():
        spent = [t for name, t in took.items() if name.rsplit(" ", 1)[0] == kind]
        print(f"{kind:22} {number:4} {sum(spent):6.1f} s, longest {max(spent):.2f} s")
    open_ = [e["problem"]["name"] for e in kept if not e["answer"]["proved"]]
    print(f"{len(kept)} in {sum(took.values()):.0f} s; not proved: {', '.join(open_) or 'none'}")


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(description="Answers that a refactoring must not change.")
    parser.add_argument("--write", action="store_true", help="compute the answers anew")
    if not parser.parse_args().write:
        parser.error("give --write")
    kept = read()
    write(kept["palettes"], [each["problem"] for each in kept["problems"]])


if __name__ == "__main__":
    main()
