"""Photos from files: what is read, what is refused, unpacking as little as possible.

Pillow reads JPEG, PNG, TIFF and WebP, pillow-heif reads HEIC; what Pillow would reduce to 8 bits
(16-bit RGB in PNG and TIFF) goes through imagecodecs and tifffile. Size is judged by the header,
before anything is unpacked. Of the metadata only orientation, colour profile and colour space are
read.

References
----------
Exif 2.32, tags 0x0112 (orientation) and 0xA005 (interoperability; "R03" is Adobe RGB by DCF 2.0);
ITU-T H.273 (codes of primaries and tone curves).
"""

from __future__ import annotations

import importlib
import os
import stat
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any, Final

import numpy as np

from shadematch.errors import MissingExtraError, PhotoError
from shadematch.photo.picture import Codes, Picture, decoding
from shadematch.photo.profile import ADOBE_RGB, DISPLAY_P3, SRGB, Profile, grey_of, read_profile

__all__ = ["LARGEST_PIXELS", "open_photo"]

LARGEST_PIXELS: Final = 120_000_000
"""Width times height of the largest photo that is read."""
_LARGEST_BYTES: Final = 640_000_000
"""Bytes of the largest photo, unpacked."""
_LARGEST_FILE: Final = 400_000_000
_FORMATS: Final = ("JPEG", "PNG", "TIFF", "WEBP")  # MPO comes with JPEG
_KINDS: Final = "JPEG, PNG, TIFF, WebP or HEIC"
_PRIMARIES: Final = {1: SRGB, 2: SRGB, 12: DISPLAY_P3}
"""H.273 codes that a HEIC without a profile may state; 2 is unspecified and taken as sRGB."""
_CURVES: Final = (1, 2, 6, 13, 14, 15)
"""H.273 codes of tone curves read as sRGB's, which is 13; 1, 6, 14 and 15 are video curves that
pictures state and mean sRGB's (common practice, no source). Others, HDR above all, differ."""


def _needing(package: str) -> AbstractContextManager[None]:
    return MissingExtraError.unless(package, "photos", field="photos")


def open_photo(path: str | os.PathLike[str]) -> Picture:
    """Open a photo: JPEG, PNG, TIFF, WebP or HEIC, with 8 or 16 bits.

    Raises
    ------
    PhotoError
        If it is no such file, can't be read, is damaged, animated, CMYK, or too large.
    MissingExtraError
        If a library that reads it is not installed.
    """
    with _needing("Pillow"):
        from PIL import Image, UnidentifiedImageError

        # Pillow knows the formats whose plugins have been imported.
        for name in ("Jpeg", "Png", "Tiff", "WebP"):
            importlib.import_module(f"PIL.{name}ImagePlugin")
    place = _regular_file(path)
    with decoding(), place.open("rb") as stream:
        head = stream.read(32)
        if head[4:8] == b"ftyp" and head[8:12] != b"avif":
            return _heif(place)
        if head[:6] in (b"GIF87a", b"GIF89a"):  # which Pillow would open
            remedy = f"Give a {_KINDS} file"
            raise PhotoError("is a GIF, which has only 256 colours", field="photo", remedy=remedy)
        stream.seek(0)
        try:
            image = Image.open(stream, formats=_FORMATS)
        except UnidentifiedImageError:
            raise PhotoError(
                "is not a picture that can be read",
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
            problem = "is a folder" if stat.S_ISDIR(found.st_mode) else "is not a file"
        elif size == 0:
            problem = "is empty"
        elif size > _LARGEST_FILE:
            problem = f"is larger than {_LARGEST_FILE // 10**6} MB"
        else:
            place.open("rb").close()
    except OSError as error:
        problem = f"can't be read: {error.strerror}"
    except (TypeError, ValueError, OverflowError):
        problem = "is not a path"
    if problem:
        raise PhotoError(problem, field="photo", value=str(path), remedy=f"Give a {_KINDS} file")
    return place


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
    # A phone's MPO also holds previews and depth.
    if image.format != "MPO" and (count := getattr(image, "n_frames", 1)) != 1:
        raise PhotoError(
            "is animated or has several pages",
            field="photo",
            value=f"{count} pictures",
            remedy="Save the one you mean by itself",
        )
    if image.format in ("JPEG", "MPO"):
        _check_end(place)
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
    interop = exif.get_ifd(0xA005).get(1, "") if 0x8769 in exif else ""
    fallback = ADOBE_RGB if str(interop).strip("\x00 ") == "R03" else SRGB
    return _picture(
        width=width,
        height=height,
        bits=bits,
        channels=channels,
        alpha=alpha,
        orientation=orientation,
        cut=cut,
        icc=image.info.get("icc_profile"),
        fallback=fallback,
        kind=image.format,
    )


def _check_end(place: Path) -> None:
    """Refuse a JPEG that is cut off, however near its end: decoders would fill in the rest.

    Segments with their lengths precede the first scan; in scans the byte FF is followed by 00 or by
    the number of a restart, and by D9 at the very end (ITU-T T.81, annex B).
    """
    data = place.read_bytes()
    at = 2
    while data[at : at + 1] == b"\xff" and data[at + 1 : at + 2] != b"\xda":
        if data[at + 1 : at + 2] == b"\xff":  # fill bytes may precede a marker
            at += 1
            continue
        at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    if data.find(b"\xff\xd9", at) < 0:
        raise PhotoError(
            "is cut off before its end",
            field="photo",
            value=place.name,
            remedy="Send or copy the file again",
        )


def _deep_codes(image: Any, place: Path, head: bytes) -> Codes | None:
    """All codes of a file whose 16 bits Pillow would reduce to 8."""
    width, height = image.size
    if image.format == "PNG" and head[24:25] == b"\x10" and head[25:26] in (b"\2", b"\4", b"\6"):
        channels = {2: 3, 4: 2, 6: 4}[head[25]]
        _check_size(width, height, channels, 16)
        with _needing("imagecodecs"):
            import imagecodecs
        codes = imagecodecs.png_decode(place.read_bytes())
    elif image.format == "TIFF" and set(image.tag_v2.get(258, (8,))) == {16}:
        channels = len(image.tag_v2[258])
        if channels == 1:
            return None
        _check_size(width, height, channels, 16)
        with _needing("tifffile"):
            import tifffile
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
    with _needing("pillow-heif"):
        import pillow_heif
    file = pillow_heif.open_heif(place, convert_hdr_to_8bit=False)
    width, height = file.size
    mode = file.mode
    bits = 16 if ";16" in mode else 8
    bands = mode.split(";")[0]
    channels = len(bands)
    if bands not in ("L", "LA", "RGB", "RGBA"):
        raise PhotoError(f"is a {mode} picture", field="photo", value=mode, remedy="Save it as RGB")
    _check_size(width, height, channels, bits)
    # A copy: in some versions the memory goes with the file.
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
            "codes its colours in a way that is not read, such as HDR",
            field="photo",
            value=f"H.273 primaries {primaries}, curve {curve}",
            remedy="Switch HDR off in the camera, or save it as sRGB in a picture program",
        )
    fallback = _PRIMARIES.get(primaries, SRGB)
    # The decoder has already turned the picture, as the format asks; Exif must not do so again.
    return _picture(
        width=width,
        height=height,
        bits=bits,
        channels=channels,
        alpha=channels in (2, 4),
        orientation=1,
        cut=_of_array(codes),
        icc=icc,
        fallback=fallback,
        kind="HEIC",
    )


def _picture(
    width: int,
    height: int,
    bits: int,
    channels: int,
    alpha: bool,
    orientation: object,
    cut: Callable[[int, int, int, int], Codes],
    icc: bytes | None,
    fallback: Profile,
    kind: str,
) -> Picture:
    colours = 1 if channels <= 2 else 3
    notes = [f"{kind.replace('MPO', 'JPEG')}, {width} x {height} pixels, {bits} bits"]
    if icc:
        found = read_profile(bytes(icc), channels=colours)
        if found is None:
            raise PhotoError(
                "has a colour profile made of tables, which is not read",
                field="photo",
                value=kind,
                remedy="Save it again as sRGB in a picture program",
            )
        profile = found
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
    return Picture(
        width=width,
        height=height,
        bits=bits,
        profile=profile,
        notes=tuple(notes),
        _orientation=turn,
        _cut=cut,
        _alpha=alpha,
    )
