"""Five hundred answers of the library, frozen: problems as plain data, and what it says to them.

Problems and answers stand side by side in ``tests/reference/frozen_matches.json``, one problem a
line. `test_frozen` asks them again. ``python -m tests.whole.frozen --write`` computes the answers
anew (a minute). ``--invent`` replaces the problems too, by others of the same kinds (many minutes).
Those in the file were invented so, within other limits of size.
Nobody else has checked these numbers: they tell that an answer has changed, not that it is
right.

`ask` and `plain` alone know what the library calls things.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

import shadematch as sm

FILE = Path(__file__).parents[1] / "reference" / "frozen_matches.json"
HEADER = (
    "Computed by shadematch itself at commit b6a5a95 as a regression guard (python -m "
    "tests.whole.frozen --write); no outside check. Palettes and problems are invented. "
    "Masses in g, lengths in cm, loads in cm per 100 g, colour differences in CIEDE2000."
)
WAVES = np.arange(380, 731, 10)
SEED = 20_250
SLOW_S = 0.6
"""Problems that take longer are not taken up, so that a second `--invent` may give others."""
DEMO = ("gorse", "rosehip", "jetty", "dusk", "kelp")
ILLUMINANTS = ("D65", "A", "D50", "FL2", "FL11", "LED-B3")

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
        palette = sm.load_palette()
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
        dose_step_cm=problem["dose_step"],
    )
    view = sm.View(
        illuminant=problem["illuminant"],
        observer=problem["observer"],
        backing=problem["backing"],
        contact=problem["contact"],
        light=problem["light"],
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
            tolerance=problem["tolerance"],
            max_load=problem["max_load"],
            pot_g=problem["pot_g"],
            bases=problem["bases"],
            base_step_g=problem["base_step_g"],
            must_avoid=problem["must_avoid"],
            strength_spread=problem["strength_spread"],
            white_spread=problem["white_spread"],
            ruler_cm=problem["ruler_cm"],
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
                cm_per_g=each["cm_per_g"],
                step_g=each["step_g"],
                white=each["white"],
            )
            for each in problem["let_downs"]
        ],
        robust=False,
    )


def plain(answer: Any) -> Data:
    """An answer as plain data."""
    if isinstance(answer, sm.Prediction):
        return {
            "lab": list(answer.lab),
            "hex": answer.hex,
            "reflectance": np.asarray(answer.reflectance).tolist(),
        }
    if isinstance(answer, sm.Correction):
        added: Data = {}
        for key, one in (("smallest", answer.smallest), ("closest", answer.closest)):
            added[key] = one and {
                "doses": dict(one.doses_cm),
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
            "doses": dict(one.recipe.doses_cm),
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


# --- how the problems were invented


def _r(value: float, digits: int = 4) -> float:
    return round(float(value), digits)


def _shape(level: float = 0, bands: Any = (), power: Any = (0, 0)) -> Data:
    return {
        "level": _r(level),
        "bands": [[_r(v) for v in band] for band in bands],
        "power": [_r(v) for v in power],
    }


def a_palette(rng: np.random.Generator, count: int, scattering: int) -> Data:
    """Pastes of random bands, the first of them scattering, and two bases."""
    pastes = []
    for at in range(count):
        bands = [
            (rng.uniform(0.2, 3.0), rng.uniform(380, 730), rng.uniform(20, 90))
            for _ in range(rng.integers(1, 4))
        ]
        paste: Data = {
            "name": f"paste {at + 1}",
            "absorption": _shape(rng.uniform(0, 0.05), bands),
        }
        if at < scattering:
            power = (rng.uniform(1.0, 8.0), rng.uniform(0.4, 1.3))
            paste["scattering"] = _shape(power=power)
        pastes.append(paste)
    return {
        "pastes": pastes,
        "clear": {
            "absorption": _shape(rng.uniform(0.002, 0.006), power=(rng.uniform(0.001, 0.005), 6)),
            "scattering": _shape(power=(rng.uniform(0.003, 0.03), 1.1)),
        },
        "white": {
            "absorption": _shape(rng.uniform(0.004, 0.01), power=(rng.uniform(0.005, 0.02), 6)),
            "scattering": _shape(power=(rng.uniform(14, 30), rng.uniform(0.9, 1.3))),
        },
    }


def some_palettes(rng: np.random.Generator) -> dict[str, Data]:
    """The demo palette, invented ones of 1 to 8 pastes, and some with pastes that scatter."""
    palettes: dict[str, Data] = {"demo": {"shipped": "demo"}}
    for count in range(1, 9):
        for letter in "ab":
            palettes[f"clear {count}{letter}"] = a_palette(rng, count, 0)
    for count, scattering in ((1, 1), (2, 1), (2, 2), (3, 1), (3, 2), (4, 1), (4, 4), (5, 2)):
        palettes[f"chalky {count}-{scattering}"] = a_palette(rng, count, scattering)
    return palettes


KINDS = {
    # How many; batches [g]; fewest and most recipes; most sets of doses that scatter; palettes.
    "demo": (115, (50, 100, 150, 200, 300, 500, 750), (3, 200_000), 1, ("demo",)),
    "invented": (115, (50, 100, 200, 300, 500, 1000, 2000), (3, 200_000), 1, ("clear",)),
    "limits": (60, (100, 200, 300, 500, 1000), (3, 200_000), 1, ("demo", "clear")),
    "one pour": (24, (200, 300, 500, 1000), (15_000, 300_000), 1, ("demo", "clear")),
    "large": (20, (1000, 1500, 2000), (60_000, 3_000_000), 1, ("demo", "clear")),
    "lights": (53, (50, 100, 200, 300), (3, 2_000), 1, ("demo", "clear")),
    "let-downs": (53, (50, 80, 120, 200), (3, 2_000), 1, ("demo", "clear")),
    "lights and let-downs": (10, (50, 80, 120), (3, 300), 1, ("demo", "clear")),
    "scattering": (44, (50, 80, 100, 150), (3, 1_000), 40, ("chalky",)),
    "scattering, joint": (6, (50, 80), (3, 300), 15, ("chalky",)),
    "correct": (20, (100, 200, 300), (3, 3_000), 1, ("demo", "clear")),
}


def a_pour(rng: np.random.Generator, kind: str, palettes: dict[str, Data]) -> Data:
    """All of a problem but its target."""
    _, batches, (least, most), spaces, beginnings = KINDS[kind]
    start = str(rng.choice(beginnings))
    of_kind = [name for name in palettes if name.startswith(start)]
    names: list[str] = []
    while not names:
        chosen = str(rng.choice(of_kind))
        batch, step = float(rng.choice(batches)), float(rng.choice([1, 1, 1, 0.5, 0.25]))
        load = float(rng.choice([0.5, 1, 2, 4, 4, 4, 8, 12]))
        steps = math.floor(load * batch / 100 / step)
        told = palettes[chosen]
        pastes = DEMO if "shipped" in told else [paste["name"] for paste in told["pastes"]]
        scattering = sum("scattering" in paste for paste in told.get("pastes", []))
        few = math.comb(steps + scattering, scattering) <= spaces
        if steps >= 2 and few and least <= math.comb(steps + len(pastes), steps) <= most:
            names = list(pastes)
    white = float(rng.choice([0, 0, 0, 0.02, 0.1, 0.3, 0.5, 0.8, 1]))
    problem: Data = {
        "call": "correct" if kind == "correct" else "match",
        "palette": chosen,
        "batch_g": batch,
        "thickness_cm": float(rng.choice([0.2, 0.3, 0.5, 1, 1, 2, 2, 3, 4.5, 6])),
        "white": white,
        "max_load": load,
        "dose_step": step,
        "illuminant": str(rng.choice(ILLUMINANTS, p=(0.4, 0.15, 0.15, 0.1, 0.1, 0.1))),
        "observer": str(rng.choice(["2", "10"])),
        "backing": [0.2, 0.5, "black", "white", "white"][rng.integers(5)],
        "contact": str(rng.choice(["air", "air", "optical"])),
        "light": str(rng.choice(["reflected"] * 4 + ["transmitted"])),
        "tolerance": float(rng.choice([0, 0.1, 0.5, 0.5, 1, 2, 5])),
        "max_pigments": None,
        "must_use": [],
        "must_avoid": [],
        "lights": [],
        "let_downs": [],
    }
    share = 1.0 if kind == "limits" else 0.1
    shuffled = [str(name) for name in rng.permutation(names)]
    if rng.random() < 0.6 * share:
        problem["max_pigments"] = int(rng.integers(1, len(names) + 1))
    if rng.random() < 0.5 * share:
        problem["must_use"] = sorted(shuffled[: problem["max_pigments"] or 2][:2])
    if rng.random() < 0.5 * share:
        problem["must_avoid"] = sorted(shuffled[2:][: rng.integers(1, 3)])
    if kind in ("lights", "lights and let-downs", "scattering, joint"):
        number = int(rng.integers(2, 4))
        problem["lights"] = [str(v) for v in rng.choice(ILLUMINANTS, number, replace=False)]
    if kind in ("let-downs", "lights and let-downs"):
        for name in shuffled[: rng.integers(1, 3)]:
            made_in = float(white == 1) if rng.random() < 0.6 else white
            problem["let_downs"].append(
                {
                    "paste": name,
                    "cm_per_g": float(rng.choice([0.01, 0.02, 0.04, 0.1])),
                    "step_g": float(rng.choice([1, 2, 5])),
                    "white": made_in,
                }
            )
    problem["_names"] = names
    return problem


def a_target(rng: np.random.Generator, problem: Data, palettes: dict[str, Data]) -> Data:
    """A colour that the pour gives, or nearly gives, or one from anywhere."""
    where = str(rng.choice(["given", "nearly", "nearly", "anywhere"]))
    said = str(rng.choice(["hex", "lab", "spectrum"]))
    if where == "anywhere":
        if said == "hex":
            return {"hex": "#" + "".join(f"{v:02x}" for v in rng.integers(0, 256, 3))}
        if said == "lab":
            a, b = rng.uniform(-35, 35, 2)
            meant = str(rng.choice(["D65", "D50"]))
            lab = [_r(rng.uniform(30, 80), 2), _r(a, 2), _r(b, 2)]
            return {"lab": lab, "illuminant": meant, "observer": "2"}
        curve = np.full(WAVES.size, rng.uniform(0.05, 0.9))
        for _ in range(3):
            bump = np.exp(-(((WAVES - rng.uniform(380, 730)) / rng.uniform(30, 120)) ** 2))
            curve += rng.uniform(-0.5, 0.5) * bump
        seen = {"reflectance": np.clip(curve, 0.02, 0.95)}
    else:
        names = problem["_names"]
        paste = problem["max_load"] * problem["batch_g"] / 100
        doses = rng.dirichlet(np.full(len(names) + 1, 0.6))[:-1] * paste
        if where == "given":
            doses = np.floor(doses / problem["dose_step"]) * problem["dose_step"]
        told = {n: _r(d, 3) for n, d in zip(names, doses, strict=True) if d > 1e-3}
        seen = plain(ask(problem | {"call": "predict", "doses": told}, palettes))
        if said == "hex":
            return {"hex": seen["hex"]}
        if said == "lab":
            lab = np.array(seen["lab"]) + (where == "nearly") * rng.normal(0, 0.5, 3)
            return {
                "lab": [_r(v, 3) for v in np.clip(lab, (0, -200, -200), (100, 200, 200))],
                "illuminant": problem["illuminant"],
                "observer": problem["observer"],
            }
    return {
        "nm": WAVES.tolist(),
        "reflectance": [_r(v, 5) for v in np.clip(seen["reflectance"], 0, 1)],
    }


def an_off_batch(rng: np.random.Generator, problem: Data, palettes: dict[str, Data]) -> Data:
    """What a correction is asked beside: what was poured, how it came out, what may be added."""
    most = problem["max_load"] * problem["batch_g"] / 100
    shares = rng.dirichlet(np.full(len(problem["_names"]) + 1, 0.7))[:-1] * most
    step = problem["dose_step"]
    doses = {
        name: float(np.floor(dose / step) * step)
        for name, dose in zip(problem["_names"], shares, strict=True)
        if dose >= step
    }
    off = {name: _r(dose * np.exp(rng.normal(0, 0.25)), 3) for name, dose in doses.items()}
    predicted = problem | {"call": "predict", "doses": off}
    lab = np.array(plain(ask(predicted, palettes))["lab"])
    wanted = plain(ask(predicted | {"doses": doses}, palettes))["lab"]
    white = problem["white"]
    return problem | {
        "doses": doses,
        "measured": [_r(v, 2) for v in np.clip(lab + rng.normal(0, 0.3, 3), (0, -200, -200), 100)],
        "target": {
            "lab": [_r(v, 2) for v in wanted],
            "illuminant": problem["illuminant"],
            "observer": problem["observer"],
        },
        "tolerance": float(rng.choice([0.5, 1, 1.5])),
        "pot_g": problem["batch_g"] * float(rng.choice([1, 1.5, 2])),
        "bases": [["clear"], ["own"], ["own", "clear", "white"]][rng.integers(3)]
        if white < 1
        else ["white"],
        "base_step_g": float(rng.choice([10, 25])),
        "strength_spread": 0.1,
        "white_spread": 0.1,
        "ruler_cm": 0.2,
        "scale_g": 1.0,
        "measured_spread": 0.3,
        "model_spread": 0.5,
    }


def units_of(kind: str) -> list[list[Data]]:
    """Problems of a kind, those of one pour together; slow ones are left out."""
    rng = np.random.default_rng([SEED, list(KINDS).index(kind)])
    palettes = some_palettes(np.random.default_rng(SEED))
    units: list[list[Data]] = []
    at = 0
    while at < KINDS[kind][0]:
        try:
            pour = a_pour(rng, kind, palettes)
            if kind == "correct":
                unit = [an_off_batch(rng, pour, palettes)]
            else:
                unit = [
                    pour | {"target": a_target(rng, pour, palettes)}
                    for _ in range(4 if kind == "one pour" else 1)
                ]
            unit = [{k: v for k, v in each.items() if k != "_names"} for each in unit]
            start = time.process_time()
            for each in unit:
                ask(each, palettes)
        except sm.ShadematchError:
            continue  # nothing that can be asked
        if time.process_time() - start > SLOW_S * len(unit):
            continue
        units.append([{"name": f"{kind} {at + i + 1}"} | each for i, each in enumerate(unit)])
        at += len(unit)
    return units


def invented() -> tuple[dict[str, Data], list[Data]]:
    """Palettes and problems, in an order that spreads the kinds evenly."""
    with ProcessPoolExecutor(2) as pool:
        units = [unit for units in pool.map(units_of, KINDS) for unit in units]
    rng = np.random.default_rng(SEED)
    palettes = some_palettes(rng)
    return palettes, [each for i in rng.permutation(len(units)) for each in units[int(i)]]


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
    parser.add_argument("--invent", action="store_true", help="the problems too")
    given = parser.parse_args()
    if given.invent:
        write(*invented())
    elif given.write:
        kept = read()
        write(kept["palettes"], [each["problem"] for each in kept["problems"]])
    else:
        parser.error("give --write or --invent")


if __name__ == "__main__":
    main()
