"""Photo files that are spoilt, oversized or of another kind, and what reading them makes of it.

`spoilt(seed)` gives the bytes of a file; `trial` has it read and says what was wrong: anything but
a colour or a clear error. One file in ten is sound and of a kind that is read: it must be accepted.
"""

from __future__ import annotations

import functools
import io
import random
import struct
import warnings
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np
import pillow_heif
import tifffile
from PIL import Image

import shadematch as sm

__all__ = ["spoilt", "trial"]

_REGION: Final = (0.2, 0.2, 0.5, 0.6)
_NEUTRAL: Final = (0.6, 0.2, 0.9, 0.6)
_FIELDS: Final = ("photo", "profile", "region", "neutral")
Spoil = Callable[[bytes, random.Random], bytes]


@functools.cache
def _picture(deep: bool = False) -> Any:
    """Bands of colour with a little noise, left darker than right; (120, 160, 3)."""
    y, x = np.mgrid[0:120, 0:160] / 160.0
    noise = np.random.default_rng(8).normal(0, 0.01, (120, 160, 3))
    bands = np.stack([0.35 + 0.4 * x, 0.3 + 0.4 * x + 0.1 * y, 0.25 + 0.5 * x], axis=-1) + noise
    return np.rint(bands * (65535 if deep else 255)).astype(np.uint16 if deep else np.uint8)


def _saved(kind: str, mode: str = "RGB", **options: Any) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(_picture()).convert(mode).save(stream, kind, **options)
    return stream.getvalue()


def _tiff(values: Any, **options: Any) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    return stream.getvalue()


def _deep_png() -> bytes:
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in _picture(True))
    return _png(160, 120, 16, 2, zlib.compress(rows))


def _png(width: int, height: int, bits: int, colours: int, data: bytes) -> bytes:
    parts = [b"\x89PNG\r\n\x1a\n"]
    header = struct.pack(">IIBBBBB", width, height, bits, colours, 0, 0, 0)
    for name, body in ((b"IHDR", header), (b"IDAT", data), (b"IEND", b"")):
        check = zlib.crc32(name + body)
        parts.append(struct.pack(">I", len(body)) + name + body + struct.pack(">I", check))
    return b"".join(parts)


def _heic() -> bytes:
    stream = io.BytesIO()
    pillow_heif.from_bytes("RGB", (160, 120), _picture().tobytes()).save(stream, quality=90)
    return stream.getvalue()


def _exif(orientation: int) -> Any:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = "nobody"
    return exif


def _animated(kind: str) -> bytes:
    frames = [Image.fromarray(_picture()), Image.fromarray(_picture()[::-1].copy())]
    stream = io.BytesIO()
    frames[0].save(stream, kind, save_all=True, append_images=frames[1:], duration=100)
    return stream.getvalue()


def _wide(width: int, height: int, mode: str = "L", kind: str = "PNG") -> bytes:
    stream = io.BytesIO()
    Image.new(mode, (width, height), 120 if mode == "L" else (120, 90, 60)).save(stream, kind)
    return stream.getvalue()


READ: Final[dict[str, Callable[[], bytes]]] = {
    "jpeg": lambda: _saved("JPEG", quality=92),
    "progressive jpeg": lambda: _saved("JPEG", progressive=True),
    "jpeg with exif": lambda: _saved("JPEG", exif=_exif(6)),
    "grey jpeg": lambda: _saved("JPEG", "L"),
    "png": lambda: _saved("PNG"),
    "palette png": lambda: _saved("PNG", "P"),
    "png with alpha": lambda: _saved("PNG", "RGBA"),
    "16-bit png": _deep_png,
    "tiff": lambda: _saved("TIFF"),
    "compressed tiff": lambda: _saved("TIFF", compression="tiff_lzw"),
    "16-bit tiff": lambda: _tiff(_picture(True), photometric="rgb"),
    "webp": lambda: _saved("WEBP", quality=90),
    "lossless webp": lambda: _saved("WEBP", lossless=True),
    "heic": _heic,
}
"""Kinds that are read."""
REFUSED: Final[dict[str, Callable[[], bytes]]] = {
    "cmyk jpeg": lambda: _saved("JPEG", "CMYK"),
    "cmyk tiff": lambda: _saved("TIFF", "CMYK"),
    "gif": lambda: _saved("GIF", "P"),
    "animated gif": lambda: _animated("GIF"),
    "animated webp": lambda: _animated("WEBP"),
    "animated png": lambda: _animated("PNG"),
    "pages of tiff": lambda: _animated("TIFF"),
    "bmp": lambda: _saved("BMP"),
    "float tiff": lambda: _tiff(_picture().astype(np.float32) / 255.0, photometric="rgb"),
    "ppm": lambda: _saved("PPM"),
    "too many pixels": lambda: _wide(13000, 9300),
    "text": lambda: b"a photo, says the name\n" * 40,
    "empty": lambda: b"",
}
"""Kinds that are not."""
LARGE: Final[dict[str, Callable[[], bytes]]] = {
    "119 million pixels, png": lambda: _wide(12000, 9900, "RGB"),
    "119 million pixels, jpeg": lambda: _wide(12000, 9900, "RGB", "JPEG"),
    "a strip": lambda: _wide(60000, 40),
}
"""Sound, large and read."""


@functools.cache
def _sound(kind: str) -> bytes:
    return {**READ, **REFUSED, **LARGE}[kind]()


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


def _cut_near_end(data: bytes, rng: random.Random) -> bytes:
    return data[: -rng.randint(1, min(40, len(data) - 1))]


def _flip(data: bytes, rng: random.Random) -> bytes:
    found = bytearray(data)
    for _ in range(rng.choice((1, 3, 30, 300))):
        found[rng.randrange(len(found))] ^= 1 << rng.randrange(8)
    return bytes(found)


def _flip_header(data: bytes, rng: random.Random) -> bytes:
    found = bytearray(data)
    for _ in range(rng.choice((1, 2, 6))):
        found[rng.randrange(min(200, len(found)))] = rng.choice((0, 1, 0x7F, 0x80, 0xFF))
    return bytes(found)


def _zeros(data: bytes, rng: random.Random) -> bytes:
    at, many = rng.randrange(len(data)), rng.randint(1, 400)
    return data[:at] + bytes(min(many, len(data) - at)) + data[at + many :]


def _twice(data: bytes, rng: random.Random) -> bytes:
    at, many = rng.randrange(len(data)), rng.randint(1, 400)
    return data[: at + many] + data[at:]


def _noise(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + rng.randbytes(rng.randint(1, 400)) + data[at:]


def _size(data: bytes, rng: random.Random) -> bytes:
    """Width and height that the file does not have, as its header says them."""
    wide, high = (rng.choice((0, 1, 3, 161, 5000, 40000, 65535, 2**31 - 1)) for _ in range(2))
    if data[:4] == b"\x89PNG":
        header = struct.pack(">II", wide, high) + data[24:29]
        return data[:16] + header + struct.pack(">I", zlib.crc32(b"IHDR" + header)) + data[33:]
    own = struct.pack(">HH", 120, 160)
    if data[:2] == b"\xff\xd8" and own in data:
        return data.replace(own, struct.pack(">HH", high & 0xFFFF, wide & 0xFFFF), 1)
    for order in ("<", ">"):
        for form in ("I", "H"):
            size = struct.pack(order + form, 160)
            if size in data:
                new = struct.pack(order + form, wide & (0xFFFF if form == "H" else 0xFFFFFFFF))
                return data.replace(size, new, 1)
    return _flip_header(data, rng)


def _exif_of_noise(data: bytes, rng: random.Random) -> bytes:
    """A JPEG's Exif, its profile or another segment made of noise."""
    if data[:2] != b"\xff\xd8":
        return _noise(data, rng)
    names = (b"Exif\0\0", b"Exif\0\0II*\0\x08\0\0\0", b"ICC_PROFILE\0\x01\x01", b"MPF\0", b"")
    body = rng.choice(names) + rng.randbytes(rng.randint(0, 3000))
    number = rng.choice((0xE0, 0xE1, 0xE2, 0xED, 0xEE, 0xFE))
    return data[:2] + bytes((0xFF, number)) + struct.pack(">H", len(body) + 2) + body + data[2:]


def _two_kinds(data: bytes, rng: random.Random) -> bytes:
    """The beginning of one file, the end of another."""
    other = _sound(rng.choice(list(READ)))
    return data[: rng.randint(1, min(600, len(data)))] + other[rng.randrange(len(other)) :]


SPOILS: Final[tuple[Spoil, ...]] = (
    *(_cut, _cut_near_end, _flip, _flip, _flip_header, _flip_header, _zeros, _twice),
    *(_noise, _size, _size, _exif_of_noise, _exif_of_noise, _two_kinds),
)


def spoilt(seed: int) -> tuple[str, bytes, bool | None]:
    """What it is, its bytes, and whether it must be accepted (None: either way)."""
    rng = random.Random(f"photo {seed}")
    if seed % 10 == 0:
        kind = list(READ)[(seed // 10) % len(READ)]
        return kind, _sound(kind), True
    if seed % 10 == 1:
        kind = list(REFUSED)[(seed // 10) % len(REFUSED)]
        return kind, _sound(kind), False
    if seed % 200 == 2:
        kind = list(LARGE)[(seed // 200) % len(LARGE)]
        return kind, _sound(kind), True
    kind = rng.choice(list(READ))
    spoil = rng.choice(SPOILS)
    data = spoil(_sound(kind), rng)
    if rng.random() < 0.2:
        data = rng.choice(SPOILS)(data, rng) if data else data
    return f"{kind}{spoil.__name__}", data, None


def trial(seed: int, folder: Path) -> tuple[str, bool]:
    """What was wrong with reading a file, or nothing; and whether it was accepted."""
    kind, data, wanted = spoilt(seed)
    place = folder / f"photo.{random.Random(seed).choice(('jpg', 'png', 'tif', 'webp', 'heic'))}"
    place.write_bytes(data)
    rng = random.Random(f"read {seed}")
    given: dict[str, Any] = {} if rng.random() < 0.4 else {"neutral": _NEUTRAL}
    if kind == "a strip":
        given = {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            found = sm.read_photo(place, region=_REGION, **given)
            if rng.random() < 0.3:
                sm.flat_areas(place)
    except sm.ShadematchError as error:
        told = error.problem and error.remedy and error.field in _FIELDS
        if not told:
            return f"{kind}: an unclear error, {error}", False
        return (f"{kind}: refused, {error}" if wanted else ""), False
    except MemoryError:
        return f"{kind}: too much memory", False
    except Exception as error:
        return f"{kind}: {type(error).__name__}: {error}", False
    sound = np.all(np.isfinite(found.target.lab)) and np.isfinite(found.target.radius)
    if not sound:
        return f"{kind}: no finite colour", True
    return (f"{kind}: accepted" if wanted is False else ""), True
