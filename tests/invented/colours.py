"""Colours drawn where a colour difference is hard: greys, blues, the dark, the red axis."""

from __future__ import annotations

import numpy as np

from shadematch.support.arrays import FloatArray

KINDS = ["any", "grey", "blue", "dark", "red axis"]


def polar(lightness: FloatArray, chroma: FloatArray, hue: FloatArray) -> FloatArray:
    return np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)


def colours(rng: np.random.Generator, kind: str, count: int) -> FloatArray:
    lightness = rng.uniform(0, 100, count)
    chroma = rng.uniform(0, 110, count)
    hue = rng.uniform(0, 2 * np.pi, count)
    if kind == "grey":
        chroma = rng.choice([0, 1e-12, 1e-6, 1e-3, 0.1, 1, 3], count) * rng.uniform(0, 1, count)
    elif kind == "blue":
        hue = np.radians(rng.normal(275, 20, count))
    elif kind == "dark":
        lightness, chroma = rng.uniform(0, 4, count), rng.uniform(0, 15, count)
    elif kind == "red axis":  # a mean hue near 0 = 360 degrees
        hue = rng.normal(0, 0.02, count)
    return polar(lightness, chroma, hue)


def uniform_lab(rng: np.random.Generator, count: int) -> FloatArray:
    return rng.uniform([0, -128, -128], [100, 128, 128], (count, 3))


def turned_apart(lab: FloatArray, target: FloatArray) -> FloatArray:
    """Difference of the CIELAB hues, 0 to 180 degrees."""
    raw = np.arctan2(lab[..., 2], lab[..., 1]) - np.arctan2(target[..., 2], target[..., 1])
    return np.abs((np.degrees(raw) + 180) % 360 - 180)


def mean_hue(lab: FloatArray, target: FloatArray) -> FloatArray:
    """Direction between the two CIELAB hues along the shorter way, 0 to 360 degrees."""
    one = np.exp(1j * np.arctan2(lab[..., 2], lab[..., 1]))
    other = np.exp(1j * np.arctan2(target[..., 2], target[..., 1]))
    return np.degrees(np.angle(one + other)) % 360
