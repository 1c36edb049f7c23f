"""Rendered photos for tests and benchmarks: surfaces, lights, cameras, and what goes wrong.

The library's own code has no part in these. Spectra, lights and two measured cameras are those
of colour-science (`MSDS_CAMERA_SENSITIVITIES`, by number); the terms of uncertainty were
measured with invented cameras instead (`invented_camera`). The camera's own processing is
modelled: a white balance that does not quite reach the light, a colour matrix fitted for the
light, exposure, vignetting, a slope of the light, veiling glare, shot noise, the curve of
sRGB with a contrast curve upon it, 8 bits, JPEG.
"""

from __future__ import annotations

import functools
import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter

from tests.invented.icc import P3, SRGB_PARA, icc

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

Array = np.ndarray[Any, np.dtype[np.float64]]

NM = np.arange(380.0, 731.0, 5.0)
SIZE = (480, 360)
TO_SRGB = np.linalg.inv(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
TO_P3 = np.linalg.inv(colour.RGB_COLOURSPACES["Display P3"].matrix_RGB_to_XYZ)
SAMPLE = (0.70, 0.15, 0.95, 0.60)
PAPER = (0.08, 0.78, 0.55, 0.95)
CHART = ((0.10, 0.12), (0.60, 0.12), (0.60, 0.60), (0.10, 0.60))
"""Middles of dark skin, bluish green, black, white, in fractions."""


def _at(spectrum: Any) -> Array:
    return np.interp(NM, spectrum.wavelengths, spectrum.values)


@functools.cache
def lights() -> dict[str, Array]:
    found = {k: _at(v) for k, v in colour.SDS_ILLUMINANTS.items() if np.ndim(v.values) == 1}
    found["Ohno"] = _at(_warm_led())
    return found


def _warm_led() -> Any:
    """A blue chip and a broad yellow phosphor, each by the model of Y. Ohno, *Spectral design
    considerations for white LED color rendering*, Opt. Eng. 44 (2005) 111302; near 3000 K."""
    from colour.colorimetry import sd_multi_leds_Ohno2005

    return sd_multi_leds_Ohno2005(
        [452.0, 560.0, 615.0],
        half_spectral_widths=[11.0, 45.0, 45.0],
        peak_power_ratios=[0.55, 0.85, 0.9],
    )


@functools.cache
def cameras() -> list[Array]:
    """The measured cameras, each (3, k)."""
    found = []
    for table in colour.MSDS_CAMERA_SENSITIVITIES.values():
        rows = [np.interp(NM, table.wavelengths, v, left=0, right=0) for v in table.values.T]
        found.append(np.maximum(np.array(rows), 0.0))
    return found


@functools.cache
def evaluated_cameras() -> list[Array]:
    """The measured cameras, and each with its sensitivities moved by 5 nm to either side."""
    return [
        np.array([np.interp(NM - shift, NM, row, left=0, right=0) for row in camera])
        for camera in cameras()
        for shift in (0.0, -5.0, 5.0)
    ]


def invented_camera(rng: np.random.Generator) -> Array:
    """Three bells with shoulders and some crosstalk; (3, k)."""
    rows = []
    for peak, width in ((600, 38), (535, 42), (460, 32)):
        at, wide = peak + rng.normal(0, 7), width * np.exp(rng.normal(0, 0.12))
        bell = np.exp(-0.5 * ((NM - at) / wide) ** 2)
        shoulder = np.exp(-0.5 * ((NM - at - rng.normal(0, 60)) / 45) ** 2)
        rows.append(bell + rng.uniform(0, 0.18) * shoulder)
    cut = 1 / (1 + np.exp((NM - rng.uniform(660, 690)) / 8)) / (1 + np.exp((415 - NM) / 6))
    return np.array(rows) * cut


@functools.cache
def chart_spectra(number: int = 0) -> Array:
    """Spectra of the 24 patches, (24, k).

    Number 0 of colour-science's sets is the average of thirty measured charts, number 5 that of
    ISO 17321-1. Neither is the reference that the library carries.
    """
    group = list(colour.SDS_COLOURCHECKERS.values())[number]
    return np.array([_at(spectrum) for spectrum in group.values()])


@functools.cache
def cie_samples() -> Array:
    """The 99 samples of CIE 224:2017, (99, k)."""
    from colour.quality.cfi2017 import load_TCS_CIE2017

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table = load_TCS_CIE2017(colour.SpectralShape(380, 780, 5))
    return np.array([np.interp(NM, table.wavelengths, v) for v in np.asarray(table.values).T])


@functools.cache
def other_samples() -> Array:
    """Test colours of CIE 13.3 and of a colour quality scale: not in the sets above."""
    groups = (*colour.quality.SDS_TCS.values(), *colour.quality.SDS_VS.values())
    # Dictionaries of spectra, or (before 0.4.5) the spectra themselves.
    each = [group.values() if hasattr(group, "items") else [group] for group in groups]
    rows = [_at(spectrum) for group in each for spectrum in group]
    return np.clip(np.array(rows), 0.0, 1.0)


@functools.cache
def recovered_chart(made: str = "After") -> Array:
    """Spectra whose Lab is the reference of charts made before or after November 2014; (24, k).

    By H. Otsu, M. Yamamoto, T. Hachisuka, *Reproducing Spectral Reflectances From Tristimulus
    Colours*, Comput. Graph. Forum 37 (2018) 370-381, as colour-science has it.
    """
    from colour.recovery import XYZ_to_sd_Otsu2018

    table = colour.CCS_COLOURCHECKERS[f"ColorChecker24 - {made} November 2014"]
    rows = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for xyy in table.data.values():
            spectrum = XYZ_to_sd_Otsu2018(
                colour.xyY_to_XYZ(xyy),
                colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"],
                colour.SDS_ILLUMINANTS["D50"],
            )
            rows.append(_at(spectrum))
    return np.clip(np.array(rows), 0.01, 1.0)


def invented_chart(rng: np.random.Generator) -> Array:
    """A chart nearly as a reference says, each patch off by a smooth random change; (24, k).

    That comes to about 1 (CIEDE2000) a patch, as measured sets differ from the reference (0.8
    and 1.2).
    """
    distance = np.subtract.outer(NM, NM) / 60.0
    root = np.linalg.cholesky(np.exp(-0.5 * distance**2) + 1e-8 * np.eye(NM.size))
    smooth = rng.normal(size=(24, NM.size)) @ root.T
    made = "After" if rng.random() < 0.6 else "Before"
    return np.clip(recovered_chart(made) * np.exp(INVENTED_CHART_SD * smooth), 0.005, 1.0)


INVENTED_CHART_SD = 0.03


def invented_light(rng: np.random.Generator) -> Array:
    """Daylight, a lamp or an LED of random temperature; (k,), relative."""
    kind = rng.integers(3)
    if kind == 0:
        kelvin = float(rng.uniform(4300, 8500))
        xy = colour.temperature.CCT_to_xy_CIE_D(kelvin * 1.4388 / 1.4380)
        return _at(colour.sd_CIE_illuminant_D_series(xy))
    if kind == 1:
        return _black_body(float(rng.uniform(2300, 3400)))
    # A blue chip and two phosphors, mixed to the white of a black body.
    wanted = _observer() @ _black_body(float(rng.uniform(2600, 6500)))
    while True:
        peaks = rng.uniform(440, 465), rng.uniform(530, 560), rng.uniform(600, 640)
        widths = rng.uniform(8, 13), rng.uniform(35, 55), rng.uniform(30, 50)
        bells = np.array(
            [np.exp(-0.5 * ((NM - p) / w) ** 2) for p, w in zip(peaks, widths, strict=True)]
        )
        shares = np.linalg.solve(_observer() @ bells.T, wanted)
        if shares.min() > 0:
            return np.asarray(shares @ bells)


def _black_body(kelvin: float) -> Array:
    return np.asarray((560.0 / NM) ** 5 / np.expm1(1.4388e7 / (NM * kelvin)))


def _paste(
    rng: np.random.Generator, *, softest: float, bluest: float, widths: tuple[float, float]
) -> Array:
    """Absorption of an invented paste, an edge or a band, largest about 1; (k,)."""
    if rng.random() < 0.3:
        at, wide = rng.uniform(430, 590), rng.uniform(9, softest)
        return np.asarray(1.0 / (1.0 + np.exp((NM - at) / wide)))
    at, wide = rng.uniform(bluest, 690), rng.uniform(*widths)
    return np.asarray(np.exp(-0.5 * ((NM - at) / wide) ** 2))


def soaps(count: int, rng: np.random.Generator) -> Array:
    """Invented soaps of one to three pigments with bands and edges; (count, k).

    Half of them see-through over white (Beer and Lambert), half opaque (Kubelka and Munk, deep
    layer); positions, widths and strengths are drawn.
    """
    rows = []
    for i in range(count):
        absorption = 0.02 * np.ones_like(NM)
        for _ in range(rng.integers(1, 4)):
            strength = rng.exponential(0.8)
            absorption += strength * _paste(rng, softest=20, bluest=390, widths=(20, 60))
        if (i + rng.integers(2)) % 2:
            haze = rng.uniform(0.0, 0.15)
            rows.append(haze * (1 - haze) + (1 - haze) ** 2 * 0.9 * np.exp(-absorption))
        else:
            ratio = absorption * rng.uniform(0.1, 1.0)
            rows.append(1.0 + ratio - np.sqrt(ratio * (ratio + 2.0)))
    return np.clip(np.array(rows), 0.0, 1.0)


def strong_soap(rng: np.random.Generator) -> Array:
    """An invented soap of one to three pastes with steep bands, up to deep shades; (k,).

    Of this kind are the pastes of the demo palette; positions, widths and strengths are drawn.
    """
    absorption = 0.02 * np.ones_like(NM)
    for _ in range(rng.integers(1, 4)):
        strength = 10.0 ** rng.uniform(-0.5, 1.0)
        absorption += strength * _paste(rng, softest=16, bluest=420, widths=(21, 40))
    if rng.random() < 0.4:
        return np.asarray(0.9 * np.exp(-absorption))
    ratio = absorption * 10.0 ** rng.uniform(-1.3, -0.3)
    return np.asarray(1.0 + ratio - np.sqrt(ratio * (ratio + 2.0)))


@functools.cache
def _observer() -> Array:
    table = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.array([np.interp(NM, table.wavelengths, v) for v in np.asarray(table.values).T])


def xyz_of(reflectance: Array, light: str) -> Array:
    weights = _observer() * lights()[light]
    return np.asarray(100.0 * reflectance @ weights.T / weights[1].sum())


def true_lab(reflectance: Array, light: str = "D65") -> Array:
    """Lab by colour-science, relative to the light's white."""
    white = xyz_of(np.ones_like(NM), light)
    xy = white[:2] / white.sum()
    return np.asarray(colour.XYZ_to_Lab(xyz_of(reflectance, light) / 100.0, xy))


@dataclass(frozen=True)
class Conditions:
    """What one photo is like."""

    balance: float  # share of the way from daylight to the light that white balance goes
    exposure: float  # of the paper's strongest channel, in linear light
    contrast: float  # share of the contrast curve
    slope: tuple[float, float]  # of log light, across width and height
    vignetting: float
    veil: float
    noise: float
    paper: tuple[float, float]  # reflectance and tilt over the spectrum
    quality: int
    blemishes: bool

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Conditions:
        return cls(
            balance=float(rng.uniform(0.7, 1.0)),
            exposure=float(rng.uniform(0.6, 0.92)),
            contrast=float(rng.uniform(0.0, 0.25)),
            slope=(float(rng.normal(0, 0.06)), float(rng.normal(0, 0.06))),
            vignetting=float(rng.uniform(0.0, 0.12)),
            veil=float(rng.uniform(0.0, 0.01)),
            noise=float(rng.uniform(0.002, 0.008)),
            paper=(float(rng.normal(0.9, 0.015)), float(rng.normal(0.0, 0.012))),
            quality=int(rng.integers(85, 96)),
            blemishes=True,
        )


PLAIN = Conditions(
    balance=1.0,
    exposure=0.8,
    contrast=0.0,
    slope=(0.0, 0.0),
    vignetting=0.0,
    veil=0.0,
    noise=0.001,
    paper=(0.9, 0.0),
    quality=95,
    blemishes=False,
)


def colour_matrix(camera: Array, light: Array) -> Array:
    """White-balanced camera values to XYZ in units of the light's white adapted to D65.

    Least squares over the test colours of `other_samples`, with white kept: how makers profile
    a camera, though each on surfaces of its own.
    """
    power = camera * light
    raw = other_samples() @ (power / power.sum(axis=1, keepdims=True)).T
    weights = _observer() * light
    wanted = other_samples() @ (weights / weights.sum(axis=1, keepdims=True)).T
    wanted = wanted * np.array([0.9505, 1.0, 1.089])  # von Kries scaling of XYZ
    goal = wanted @ TO_SRGB.T
    # Rows sum to 1, so that white stays white: fit the differences from one channel.
    rows = []
    for k in range(3):
        others = [i for i in range(3) if i != k]
        part = np.linalg.lstsq(raw[:, others] - raw[:, [k]], goal[:, k] - raw[:, k], rcond=None)[0]
        row = np.zeros(3)
        row[others] = part
        row[k] = 1.0 - part.sum()
        rows.append(row)
    return np.array(rows)


def encode(linear: Any) -> Array:
    """Linear values encoded as sRGB."""
    steep = 1.055 * np.maximum(linear, 0) ** (1 / 2.4) - 0.055
    return np.where(linear <= 0.0031308, 12.92 * linear, steep)


def save(place: Path, encoded: Any) -> Path:
    """Encoded values as a picture of 8 bits."""
    Image.fromarray(np.rint(255 * np.clip(encoded, 0, 1)).astype(np.uint8)).save(place)
    return place


def photograph(
    sample: Array,
    *,
    light: str | Array,
    camera: Array,
    conditions: Conditions,
    rng: np.random.Generator,
    chart: bool = True,
    paper: bool = True,
    size: tuple[int, int] = SIZE,
    chart_set: int | Array = 0,
    wide_gamut: bool = False,
) -> Array:
    """An sRGB-encoded photo, 0 to 1, before it is cut to bits; (rows, columns, 3).

    With `wide_gamut` its primaries are those of Display P3.
    """
    c = conditions
    wide, high = size
    shines = lights()[light] if isinstance(light, str) else light
    patches = chart_spectra(chart_set) if isinstance(chart_set, int) else chart_set
    power = camera * shines
    balanced = power.sum(axis=1)
    daylight = (camera * lights()["D65"]).sum(axis=1)
    daylight = daylight * balanced[1] / daylight[1]
    gain = balanced**c.balance * daylight ** (1 - c.balance)
    table = np.interp(NM, [380, 500, 600, 730], [0.16, 0.2, 0.26, 0.32])
    white = c.paper[0] * (1 + c.paper[1] * (NM - 555) / 175)
    surfaces = np.vstack([table, patches, white, sample, 0.04 * np.ones_like(NM)])
    raw = surfaces @ power.T / gain
    linear = raw @ colour_matrix(camera, shines).T
    if wide_gamut:
        linear = linear @ np.linalg.inv(TO_SRGB).T @ TO_P3.T
    label = np.zeros((high, wide), dtype=int)

    def fill(box: tuple[float, float, float, float], value: int) -> None:
        x0, y0, x1, y1 = (round(v * s) for v, s in zip(box, (wide, high, wide, high), strict=True))
        label[y0:y1, x0:x1] = value

    if chart:
        dx, dy = (CHART[1][0] - CHART[0][0]) / 5, (CHART[3][1] - CHART[0][1]) / 3
        x0, y0 = CHART[0]
        fill((x0 - 0.6 * dx, y0 - 0.6 * dy, x0 + 5.6 * dx, y0 + 3.6 * dy), 27)
        for i in range(24):
            x, y = x0 + (i % 6) * dx, y0 + (i // 6) * dy
            fill((x - 0.42 * dx, y - 0.42 * dy, x + 0.42 * dx, y + 0.42 * dy), 1 + i)
    if paper:
        fill(PAPER, 25)
    fill(SAMPLE, 26)
    image = linear[label]
    y, x = np.mgrid[0:high, 0:wide].astype(float)
    x, y = x / wide - 0.5, y / high - 0.5
    falls = np.exp(c.slope[0] * x + c.slope[1] * y) * (1 - c.vignetting * 2 * (x**2 + y**2))
    # The meter keeps the strongest channel of the paper below the top.
    image = image * falls[..., None] * (c.exposure / linear[25].max())
    if c.blemishes:
        _blemish(image, size, rng)
    image = gaussian_filter(image, (0.6, 0.6, 0))
    image = (1 - c.veil) * image + c.veil * image.mean(axis=(0, 1))
    image += rng.normal(size=image.shape) * c.noise * np.sqrt(np.maximum(image, 0.0) + 0.02)
    image = np.clip(image, 0.0, 1.0)
    encoded = encode(image)
    curve = encoded * encoded * (3 - 2 * encoded)
    return np.asarray((1 - c.contrast) * encoded + c.contrast * curve)


def plain_paper(
    slope: tuple[float, float], vignetting: float, rng: np.random.Generator, size: tuple[int, int]
) -> Array:
    """The same stand with nothing but paper on it, sRGB-encoded."""
    y, x = np.mgrid[0 : size[1], 0 : size[0]].astype(float)
    x, y = x / size[0] - 0.5, y / size[1] - 0.5
    falls = np.exp(slope[0] * x + slope[1] * y) * (1 - vignetting * 2 * (x**2 + y**2))
    image = 0.6 * falls[..., None] * (1 + 0.005 * rng.normal(size=(*falls.shape, 3)))
    return np.asarray(1.055 * image ** (1 / 2.4) - 0.055)


def _blemish(image: Array, size: tuple[int, int], rng: np.random.Generator) -> None:
    """Glare, dust and the shadow of an edge on the sample."""
    wide, high = size
    left, top, right, bottom = (
        round(v * s) for v, s in zip(SAMPLE, (wide, high, wide, high), strict=True)
    )
    part = image[top:bottom, left:right]
    y, x = np.mgrid[0 : part.shape[0], 0 : part.shape[1]]
    for _ in range(rng.integers(1, 4)):
        cx, cy = rng.uniform(0, part.shape[1]), rng.uniform(0, part.shape[0])
        r2 = ((x - cx) / rng.uniform(4, 14)) ** 2 + ((y - cy) / rng.uniform(4, 20)) ** 2
        part += (1.2 * np.exp(-(r2**2)))[..., None]
    for _ in range(20):
        row, column = rng.integers(0, part.shape[0]), rng.integers(0, part.shape[1])
        part[row : row + 2, column : column + 2] *= rng.uniform(0.2, 0.7)
    part[-round(0.08 * high) :] *= np.linspace(1.0, 0.5, round(0.08 * high))[:, None, None]


def jpeg(encoded: Array, quality: int = 92, **options: Any) -> bytes:
    stream = io.BytesIO()
    image = Image.fromarray(np.rint(255 * np.clip(encoded, 0, 1)).astype(np.uint8))
    image.save(stream, "JPEG", quality=quality, **options)
    return stream.getvalue()


def shoot(
    place: Path,
    sample: Array,
    light: str | Array,
    camera: Array,
    rng: np.random.Generator,
    conditions: Conditions | None = None,
    chart_set: int | Array = 0,
    wide_gamut: bool = False,
) -> Path:
    """Photograph a sample beside chart and paper, and save it, in sRGB or in Display P3."""
    c = conditions if conditions is not None else Conditions.draw(rng)
    picture = photograph(
        sample,
        light=light,
        camera=camera,
        conditions=c,
        rng=rng,
        chart_set=chart_set,
        wide_gamut=wide_gamut,
    )
    options = {"icc_profile": icc(P3, SRGB_PARA)} if wide_gamut else {}
    place.write_bytes(jpeg(picture, c.quality, **options))
    return place
