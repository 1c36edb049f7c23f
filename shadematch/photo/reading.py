"""Photos from files: what is read, what is refused, and how little is unpacked.

Pillow reads JPEG, PNG, TIFF and WebP, pillow-heif reads HEIC; what Pillow would cut down to 8
bits (16-bit RGB in PNG and TIFF) goes through imagecodecs and tifffile. Size is judged by the
header, before anything is unpacked. Orientation is applied to what is cut out, not to the whole
picture, so that a large photo is held only once. Of the metadata only orientation, colour
profile and colour space are looked at.

References
----------
Exif 2.32, tags 0x0112 (orientation) and 0xA005 (interoperability; "R03" is Adobe RGB by DCF 2.0);
ITU-T H.273 (codes of primaries and tone curves).
"""

from __future__ import annotations

import importlib
import os
import stat
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from shadematch.errors import MissingExtraError, PhotoError, ShadematchError
from shadematch.photo.profile import ADOBE_RGB, DISPLAY_P3, SRGB, Profile, grey_of, read_profile
from shadematch.support.arrays import BoolArray

__all__ = ["LARGEST_PIXELS", "Patch", "Picture", "open_photo"]

LARGEST_PIXELS: Final = 120_000_000
"""Width times height of the largest photo that is taken."""
_LARGEST_BYTES: Final = 640_000_000
"""The same for its size unpacked."""
_LARGEST_FILE: Final = 400_000_000
_SAMPLE: Final = 250_000
"""A region with more pixels than this is thinned to a regular grid of about so many."""
_ROWS: Final = 4_000_000  # pixels cut out at a time
_FORMATS: Final = ("JPEG", "PNG", "TIFF", "WEBP")  # MPO comes with JPEG
_KINDS: Final = "JPEG, PNG, TIFF, WebP or HEIC"
_PRIMARIES: Final = {1: SRGB, 2: SRGB, 12: DISPLAY_P3}
"""Codes of H.273 that a HEIC without a profile may state; 2 says nothing, and sRGB is taken."""
_CURVES: Final = (1, 2, 6, 13, 14, 15)
"""The same of tone curves: sRGB's is 13; 1, 6, 14 and 15 are one of video, which pictures state
and mean sRGB's (common practice, no source). All else, of HDR above all, looks otherwise."""

Codes = NDArray[Any]
"""uint8 or uint16, shape (rows, columns, channels)."""
Float32 = NDArray[np.float32]


class Patch(NamedTuple):
    """A piece of a photo, in linear light.

    Attributes
    ----------
    linear
        Channel values 0 to 1 in the photo's own primaries, shape (rows, columns, channels).
    seen
        Where it is not transparent, shape (rows, columns).
    full, empty
        Where a channel is at its upper or lower end, shape (rows, columns, channels).
    step
        Linear size of one code step at each value, shape of `linear`.
    x, y
        Middle of each column and row, in pixels of the upright photo.
    """

    linear: Float32
    seen: BoolArray
    full: BoolArray
    empty: BoolArray
    step: Float32
    x: Float32
    y: Float32


@dataclass(frozen=True, eq=False)
class Picture:
    """An opened photo, upright.

    Attributes
    ----------
    width, height
        In pixels, upright.
    bits
        Per channel as stored, 8 or 16.
    profile
        What its numbers mean.
    notes
        What was found and done, in words.
    """

    width: int
    height: int
    bits: int
    profile: Profile
    notes: tuple[str, ...]
    _orientation: int = field(repr=False)
    _cut: Callable[[int, int, int, int], Codes] = field(repr=False)
    _alpha: bool = field(repr=False)

    def cut(self, left: int, top: int, right: int, bottom: int) -> Patch:
        """The pixels from `left` to `right` and `top` to `bottom` (ends excluded).

        Pieces of more than 250,000 pixels are thinned: every second, third, ... pixel of
        every second, third, ... row.

        Raises
        ------
        PhotoError
            If the file proves damaged.
        """
        every = max(1, int(np.ceil(np.sqrt((right - left) * (bottom - top) / _SAMPLE))))
        codes = self._upright(left, top, right, bottom, every)
        colour = codes[..., : self.profile.channels]
        seen = np.ones(codes.shape[:2], dtype=bool)
        top_code = 2**self.bits - 1
        if self._alpha:
            seen = codes[..., -1] >= top_code * 0.99
        tables = self.profile.tables(self.bits)
        steps = [np.gradient(table) for table in tables]
        linear = np.stack([t[colour[..., i]] for i, t in enumerate(tables)], axis=-1)
        step = np.stack([s[colour[..., i]] for i, s in enumerate(steps)], axis=-1)
        margin = top_code // 255
        return Patch(
            linear,
            seen,
            colour >= top_code - margin,
            colour <= margin,
            step.astype(np.float32),
            np.arange(left, right, every, dtype=np.float32) + 0.5,
            np.arange(top, bottom, every, dtype=np.float32) + 0.5,
        )

    def small(self, longest: int) -> tuple[Patch, float]:
        """The whole photo with its longer side brought down to at most `longest` pixels.

        Thinned as in `cut`, from the upper left pixel on.

        Returns
        -------
        Patch, float
            And how many pixels of the photo one of its pixels stands for, along a side.
        """
        every = max(1, -(-max(self.width, self.height) // longest))
        whole = self._upright(0, 0, self.width, self.height, every)
        tables = self.profile.tables(self.bits)
        colour = whole[..., : self.profile.channels]
        linear = np.stack([t[colour[..., i]] for i, t in enumerate(tables)], axis=-1)
        top_code = 2**self.bits - 1
        seen = np.ones(whole.shape[:2], dtype=bool)
        if self._alpha:
            seen = whole[..., -1] >= top_code * 0.99
        nothing = np.zeros_like(linear)
        patch = Patch(
            linear,
            seen,
            colour >= top_code,
            colour <= 0,
            nothing,
            np.arange(0, self.width, every, dtype=np.float32) + 0.5,
            np.arange(0, self.height, every, dtype=np.float32) + 0.5,
        )
        return patch, float(every)

    def _upright(self, left: int, top: int, right: int, bottom: int, every: int) -> Codes:
        """Codes of a piece of the upright photo, thinned."""
        turned = self._orientation >= 5
        wide, high = (self.height, self.width) if turned else (self.width, self.height)
        x0, y0, x1, y1 = left, top, right, bottom
        # Where the piece lies in the stored picture: undo the mirrors and the transpose.
        if turned:
            x0, y0, x1, y1 = y0, x0, y1, x1
        if self._orientation in (2, 3, 7, 8):
            x0, x1 = wide - x1, wide - x0
        if self._orientation in (3, 4, 6, 7):
            y0, y1 = high - y1, high - y0
        # Thin from the end that becomes the start, so that the same pixels stay.
        rows = list(self._rows(x0, y0, x1, y1, every))
        piece = np.concatenate(rows) if len(rows) > 1 else rows[0]
        if self._orientation in (2, 3, 7, 8):
            piece = piece[:, ::-1]
        if self._orientation in (3, 4, 6, 7):
            piece = piece[::-1]
        return piece.swapaxes(0, 1) if turned else piece

    def _rows(self, x0: int, y0: int, x1: int, y1: int, every: int) -> Iterator[Codes]:
        # A mirrored side is thinned backwards, so that the pixels kept are those at multiples
        # of `every` from the upright corner.
        back_x = self._orientation in (2, 3, 7, 8)
        back_y = self._orientation in (3, 4, 6, 7)
        skip_x = (x1 - x0 - 1) % every if back_x else 0
        skip_y = (y1 - y0 - 1) % every if back_y else 0
        high = max(1, _ROWS // max(1, x1 - x0) // every) * every
        if every >= 4:
            with _decoding():  # single rows: most of what lies between is never touched
                kept = [
                    self._cut(x0, y, x1, y + 1)[:, skip_x::every]
                    for y in range(y0 + skip_y, y1, every)
                ]
            yield np.concatenate(kept)
            return
        for start in range(y0 + skip_y, y1, high):
            with _decoding():
                block = self._cut(x0, start, x1, min(start + high, y1))
            yield np.ascontiguousarray(block[::every, skip_x::every])


class _decoding:  # noqa: N801  (reads as a statement)
    """Errors and warnings of the decoders as this library's own."""

    def __enter__(self) -> None:
        self._quiet = warnings.catch_warnings()
        self._quiet.__enter__()
        warnings.simplefilter("ignore")

    def __exit__(self, kind: object, found: BaseException | None, trace: object) -> None:
        self._quiet.__exit__(None, None, None)
        if found is None or isinstance(found, ShadematchError):
            return
        # Decoders of damaged files raise whatever they stumble over; nothing of it is ours.
        if isinstance(found, Exception):
            raise PhotoError(
                "is damaged or not complete",
                field="photo",
                remedy="Send or copy the file anew; open and save it in a picture program",
            ) from None


def _missing(package: str) -> MissingExtraError:
    return MissingExtraError.of(package, "photos", field="photos")


def open_photo(path: str | os.PathLike[str]) -> Picture:
    """Open a photo: JPEG, PNG, TIFF, WebP or HEIC, with 8 or 16 bits.

    Raises
    ------
    PhotoError
        If it is no such file, can't be read, is damaged, animated, CMYK, or too large to
        unpack.
    MissingExtraError
        If a library that reads it is not installed.
    """
    try:
        from PIL import Image, UnidentifiedImageError

        # Pillow knows formats by the plugins that have been imported.
        for name in ("Jpeg", "Png", "Tiff", "WebP"):
            importlib.import_module(f"PIL.{name}ImagePlugin")
    except ImportError:
        raise _missing("Pillow") from None
    place = _regular_file(path)
    with _decoding(), place.open("rb") as stream:
        head = stream.read(32)
        if head[4:8] == b"ftyp" and head[8:12] != b"avif":
            return _heif(place)
        _refuse_early(head)
        stream.seek(0)
        try:
            image = Image.open(stream, formats=_FORMATS)
        except UnidentifiedImageError:
            raise PhotoError(
                "is no picture that can be read",
                field="photo",
                value=place.name,
                remedy=f"Give a {_KINDS} file",
            ) from None
        except Image.DecompressionBombError:
            raise _too_large(place.name) from None
        return _pillow(image, place, head)


def _regular_file(path: str | os.PathLike[str]) -> Path:
    problem = ""
    size = 0
    try:
        place = Path(path)
        found = place.stat()
        size = found.st_size
        if not stat.S_ISREG(found.st_mode):
            problem = "is a folder" if stat.S_ISDIR(found.st_mode) else "is no file"
        elif size == 0:
            problem = "is empty"
        elif size > _LARGEST_FILE:
            problem = f"is larger than {_LARGEST_FILE // 10**6} MB"
        else:
            place.open("rb").close()
    except OSError as error:
        problem = f"can't be read: {error.strerror}"
    except (TypeError, ValueError, OverflowError):
        problem = "is no path"
    if problem:
        raise PhotoError(problem, field="photo", value=str(path), remedy=f"Give a {_KINDS} file")
    return place


def _refuse_early(head: bytes) -> None:
    """Refuse by their first bytes what libraries would open with side effects or not at all."""
    if head[:6] in (b"GIF87a", b"GIF89a"):
        raise PhotoError(
            "is a GIF, which has only 256 colours", field="photo", remedy=f"Give a {_KINDS} file"
        )


def _too_large(shown: object) -> PhotoError:
    return PhotoError(
        f"has more than {LARGEST_PIXELS // 10**6} million pixels, or unpacks to more than "
        f"{_LARGEST_BYTES // 10**6} MB",
        field="photo",
        value=shown,
        remedy="Give a smaller copy",
    )


def _check_size(width: int, height: int, channels: int, bits: int) -> None:
    if width < 1 or height < 1:
        raise PhotoError("has no pixels", field="photo", remedy=f"Give a {_KINDS} file")
    if width * height > LARGEST_PIXELS or width * height * channels * bits // 8 > _LARGEST_BYTES:
        raise _too_large(f"{width} x {height}")


def _one_frame(count: int) -> None:
    if count != 1:
        raise PhotoError(
            "is animated or has several pages",
            field="photo",
            value=f"{count} pictures",
            remedy="Save the one that is meant by itself",
        )


def _pillow(image: Any, place: Path, head: bytes) -> Picture:
    mode, (width, height) = image.mode, image.size
    if mode in ("CMYK", "LAB", "YCbCr", "F", "I", "HSV"):
        raise PhotoError(
            f"is a {mode} picture",
            field="photo",
            value=mode,
            remedy="Save it as RGB in a picture program that knows its profile",
        )
    _check_size(width, height, len(image.getbands()), 16 if mode.startswith("I;16") else 8)
    if image.format != "MPO":  # the further pictures of a phone's MPO are previews and depth
        _one_frame(getattr(image, "n_frames", 1))
    deep = _deep_codes(image, place, head)
    exif = image.getexif()
    orientation = exif.get(0x0112, 1)
    alpha = mode in ("LA", "RGBA", "PA") or "transparency" in image.info
    if deep is not None:
        channels, alpha, bits = deep.shape[2], deep.shape[2] in (2, 4), 16
        cut = _of_array(deep)
    else:
        channels = 1 if mode in ("1", "L", "LA") or mode.startswith("I;16") else 3
        bits = 16 if mode.startswith("I;16") else 8
        image.load()
        to = ("L", "RGB")[channels == 3] if bits == 8 else None
        if to and alpha:
            to = ("LA", "RGBA")[channels == 3]
        cut = _of_image(image, to)
    colours = 1 if channels <= 2 else 3
    interop = exif.get_ifd(0xA005).get(1, "") if 0x8769 in exif else ""
    fallback = ADOBE_RGB if str(interop).strip("\x00 ") == "R03" else SRGB
    icc = image.info.get("icc_profile")
    return _picture(
        width, height, bits, colours, alpha, orientation, cut, icc, fallback, image.format
    )


def _deep_codes(image: Any, place: Path, head: bytes) -> Codes | None:
    """All codes of a file whose 16 bits Pillow would cut to 8."""
    width, height = image.size
    if image.format == "PNG" and head[24:25] == b"\x10" and head[25:26] in (b"\2", b"\4", b"\6"):
        channels = {2: 3, 4: 2, 6: 4}[head[25]]
        _check_size(width, height, channels, 16)
        try:
            import imagecodecs
        except ImportError:
            raise _missing("imagecodecs") from None
        codes = imagecodecs.png_decode(place.read_bytes())
    elif image.format == "TIFF" and set(image.tag_v2.get(258, (8,))) == {16}:
        channels = len(image.tag_v2[258])
        if channels == 1:
            return None
        _check_size(width, height, channels, 16)
        try:
            import tifffile
        except ImportError:
            raise _missing("tifffile") from None
        with tifffile.TiffFile(place) as file:
            page = file.pages[0]
            if page.shape != (height, width, channels) or page.dtype != np.uint16:
                raise PhotoError(
                    "has an unusual layout",
                    field="photo",
                    value=str(page.shape),
                    remedy="Save it as a plain RGB TIFF",
                )
            codes = page.asarray()
    else:
        return None
    codes = np.asarray(codes)
    if codes.shape != (height, width, channels) or codes.dtype != np.uint16:
        raise ValueError
    return codes


def _of_array(codes: Codes) -> Callable[[int, int, int, int], Codes]:
    return lambda x0, y0, x1, y1: codes[y0:y1, x0:x1]


def _of_image(image: Any, to: str | None) -> Callable[[int, int, int, int], Codes]:
    def cut(x0: int, y0: int, x1: int, y1: int) -> Codes:
        piece = image.crop((x0, y0, x1, y1))
        if to is not None and piece.mode != to:
            piece = piece.convert(to)
        codes = np.asarray(piece)
        if codes.dtype == np.int32:
            codes = codes.astype(np.uint16)
        return codes if codes.ndim == 3 else codes[..., None]

    return cut


def _heif(place: Path) -> Picture:
    try:
        import pillow_heif
    except ImportError:
        raise _missing("pillow-heif") from None
    file = pillow_heif.open_heif(place, convert_hdr_to_8bit=False)
    width, height = file.size
    mode = file.mode
    bits = 16 if ";16" in mode else 8
    bands = mode.split(";")[0]
    channels = len(bands)
    if bands not in ("L", "LA", "RGB", "RGBA"):
        raise PhotoError(f"is a {mode} picture", field="photo", value=mode, remedy="Save it as RGB")
    _check_size(width, height, channels, bits)
    # A copy: with some versions the picture's memory goes with the file.
    codes = np.array(file)
    if codes.ndim == 2:
        codes = codes[..., None]
    if codes.shape != (height, width, channels):
        raise ValueError
    nclx = file.info.get("nclx_profile") or {}
    primaries = int(nclx.get("color_primaries", 2))
    curve = int(nclx.get("transfer_characteristics", 2))
    icc = file.info.get("icc_profile")
    if not icc and (primaries not in _PRIMARIES or curve not in _CURVES):
        raise PhotoError(
            "has colours that are coded in a way that is not read, such as HDR",
            field="photo",
            value=f"H.273 primaries {primaries}, curve {curve}",
            remedy="Switch HDR off in the camera, or save it as sRGB in a picture program",
        )
    fallback = _PRIMARIES.get(primaries, SRGB)
    # The decoder has turned the picture already, as the format asks; Exif must not turn it again.
    return _picture(
        width,
        height,
        bits,
        1 if channels <= 2 else 3,
        channels in (2, 4),
        1,
        _of_array(codes),
        icc,
        fallback,
        "HEIC",
    )


def _picture(
    width: int,
    height: int,
    bits: int,
    colours: int,
    alpha: bool,
    orientation: object,
    cut: Callable[[int, int, int, int], Codes],
    icc: bytes | None,
    fallback: Profile,
    kind: str,
) -> Picture:
    notes = [f"{kind.replace('MPO', 'JPEG')}, {width} x {height} pixels, {bits} bits"]
    profile = None
    if icc:
        profile = read_profile(bytes(icc), channels=colours)
        if profile is None:
            raise PhotoError(
                "has a colour profile made of tables, which is not read",
                field="photo",
                value=kind,
                remedy="Save it anew as sRGB in a picture program",
            )
        notes.append(f"colour profile: {profile.name}")
    else:
        profile = fallback if colours == 3 else grey_of(fallback)
        known = "taken as sRGB" if fallback is SRGB else f"as its header says, {profile.name}"
        notes.append(f"no colour profile; {known}")
    turn = orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1
    if turn != 1:
        notes.append("turned upright as the camera noted")
    if alpha:
        notes.append("transparent pixels are left out")
    if turn >= 5:
        width, height = height, width
    return Picture(width, height, bits, profile, tuple(notes), turn, cut, alpha)
