"""A published set of measured films, read from a folder, and what becomes of it.

The folder is given on the command line (`tests.bench.films --folder`); nothing of it is in the
tree. It holds tables of tabs: ``mixtures.tsv``, of each sample its colourants and their shares in
percent by mass, ``A-B-C|90-10-0``; and ``spectra.tsv``, percent reflectance of the bare cards
beside each sample (``_b``, ``_w``) and of the film over both (``_ob``, ``_ow``).

Colourants that stand in a set of their own (white and black there) are shared by the others. Of
each other set the masstone and the half tint are learnt from, with the films of the shared set;
its other films are predicted.
"""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import onto_grid
from tests.bench.twoflux import CardFlux

__all__ = ["Film", "Tried", "films_in", "main", "split", "try_set"]

POUR = sm.Pour(batch_g=100)
HALF = (0.35, 0.65)
"""Shares of the colour in what counts as its half tint."""


@dataclass(frozen=True)
class Film:
    """One sample.

    Attributes
    ----------
    name
        Its set and letter.
    loads
        Shares in percent, of those that are in it.
    readings
        Over each card.
    """

    name: str
    loads: dict[str, float]
    readings: tuple[sm.TestPour, ...]

    @property
    def set(self) -> str:
        """What its ladder is called."""
        return self.name[:-1]


def films_in(folder: Path) -> list[Film]:
    """All samples."""
    header, *rows = [
        line.split("\t")
        for line in (folder / "spectra.tsv").read_text(encoding="utf-8").splitlines()
    ]
    nm = np.array([float(x) for x in header[1:]])
    spectra = {row[0]: np.array([float(x) for x in row[1:]]) / 100.0 for row in rows}
    found = []
    for line in (folder / "mixtures.tsv").read_text(encoding="utf-8").splitlines():
        name, told = line.split("\t")
        names, shares = (part.split("-") for part in told.split("|"))
        loads = {n: float(x) for n, x in zip(names, shares, strict=True) if float(x) > 0}
        readings = []
        for card in "bw":
            bare = np.clip(onto_grid(nm, spectra[f"{name}_{card}"]), 0.0, 1.0)
            view = sm.View(backing=tuple(bare.tolist()), observer="10")
            read = spectra[f"{name}_o{card}"]
            about = {"name": name, "view": view, "pour": POUR, "unit": "part"}
            readings.append(sm.TestPour.from_spectrum(loads, nm, read, **about))  # type: ignore[arg-type]
        found.append(Film(name, loads, tuple(readings)))
    return found


def split(films: list[Film]) -> dict[str, tuple[list[Film], list[Film]]]:
    """Of each set that is not shared what is learnt from and what is to be predicted.

    Films of another make of a colourant, which nothing is learnt of, are left out.
    """
    sets: dict[str, list[Film]] = {}
    for film in films:
        sets.setdefault(film.set, []).append(film)
    number = Counter(n for each in sets.values() for n in {n for f in each for n in f.loads})
    common = {n for n, count in number.items() if count > len(sets) / 2}
    shared = [f for each in sets.values() if each[0].loads.keys() <= common for f in each]
    found = {}
    for name, each in sets.items():
        colour = next(iter(each[0].loads))
        if colour in common:
            continue
        known = {colour, *common}
        learnt, unseen = [f for f in shared if f.loads.keys() <= known], []
        for f in each:
            if f.loads.keys() <= known:
                share = f.loads[colour] / 100.0
                half = HALF[0] < share < HALF[1]
                (learnt if len(f.loads) == 1 or half else unseen).append(f)
        found[name] = (learnt, unseen)
    return found


@dataclass(frozen=True)
class Tried:
    """What came of one set.

    Attributes
    ----------
    learnt, unseen
        Films learnt from and predicted.
    refused
        What the calibration said, if it gave none.
    ours, theirs
        CIEDE2000 of each predicted reading, by the calibration and by two-flux.
    inside
        Whether the reading lay in the 90 % region.
    seconds
        Of one processor, to calibrate.
    """

    learnt: int
    unseen: int
    refused: str
    ours: list[float]
    theirs: list[float]
    inside: list[bool]
    seconds: float


def try_set(learnt: list[Film], unseen: list[Film]) -> Tried:
    """Learn from some films, with every default, and predict others."""
    pours = [r for film in learnt for r in film.readings]
    names = tuple(dict.fromkeys(n for p in pours for n in p.doses))
    begun, found, refused = time.process_time(), None, ""
    try:
        found = sm.calibrate(pours)
    except sm.ShadematchError as error:
        refused = str(error)
    seconds = time.process_time() - begun
    flux = CardFlux(pours, names)
    ours, theirs, inside = [], [], []
    for film in unseen:
        for reading in film.readings:
            seen, read = reading.observation, np.array(reading.lab_seen)
            spectrum = flux.spectrum(film.loads, reading.view)
            theirs.append(float(delta_e(xyz_to_lab(seen.weights @ spectrum, seen.white), read)))
            if found is not None:
                interval = found.interval(film.loads, view=reading.view)
                ours.append(float(delta_e(np.array(interval.lab), read)))
                inside.append(interval.contains(reading.lab_seen))
    return Tried(
        learnt=len(learnt),
        unseen=len(unseen),
        refused=refused,
        ours=ours,
        theirs=theirs,
        inside=inside,
        seconds=seconds,
    )


def main(folder: Path) -> int:
    """Print a table."""
    print(
        "| set | learned from | predicted | mean | 95th | 90 % region holds | two-flux mean | "
        "two-flux 95th | seconds |"
    )
    print("|" + " --- |" * 9)
    every: list[Tried] = []
    for name, (learnt, unseen) in split(films_in(folder)).items():
        if not unseen:
            continue
        tried = try_set(learnt, unseen)
        every.append(tried)
        print(_row(name, [tried]), flush=True)
    print(_row("all", every))
    return 0


def _row(name: str, tried: list[Tried]) -> str:
    ours = [x for t in tried for x in t.ours]
    theirs = [x for t in tried for x in t.theirs]
    inside = [x for t in tried for x in t.inside]
    refused = [t.refused for t in tried if t.refused]
    said = (
        f"{np.mean(ours):.2f} | {np.quantile(ours, 0.95):.2f} | {np.mean(inside):.0%}"
        if ours
        else f"refused: {refused[0]} | |"
    )
    return (
        f"| {name} | {sum(t.learnt for t in tried)} | {sum(t.unseen for t in tried)} | {said} | "
        f"{np.mean(theirs):.2f} | {np.quantile(theirs, 0.95):.2f} | "
        f"{np.mean([t.seconds for t in tried]):.1f} |"
        + (f" {len(refused)} refused" if len(tried) > 1 and refused else "")
    )
