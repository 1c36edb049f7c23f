"""What is read of a photo's file, and what is refused."""

from __future__ import annotations

import io
import os
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image, ImageCms, ImageOps

import shadematch as sm
from shadematch.colour.colorimetry import SRGB_WHITE, srgb_to_xyz, xyz_to_lab
from shadematch.photo.files import open_photo
from tests.invented import hostile_photos
from tests.invented.icc import A98, GAMMA, OWN, P3, SRGB_PARA, TABLE, icc

ALL = (0.0, 0.0, 1.0, 1.0)


def save(place: Path, codes: Any, kind: str = "PNG", **options: Any) -> Path:
    Image.fromarray(np.asarray(codes, dtype=np.uint8)).save(place, kind, **options)
    return place


def plain(code: tuple[int, ...], size: tuple[int, int] = (24, 20)) -> Any:
    return np.broadcast_to(np.array(code, dtype=np.uint8), (*size, len(code))).copy()


def lab_of(path: Path, region: Any = ALL, **options: Any) -> Any:
    return np.array(sm.read_photo(path, region=region, **options).uncorrected)


def srgb_lab(code: Any) -> Any:
    return xyz_to_lab(srgb_to_xyz(np.array(code) / 255.0), SRGB_WHITE)


@pytest.mark.parametrize(
    ("kind", "options", "within"),
    [
        ("PNG", {}, 0.02),
        ("TIFF", {}, 0.02),
        ("TIFF", {"compression": "tiff_lzw"}, 0.02),
        ("WEBP", {"lossless": True}, 0.02),
        ("JPEG", {"quality": 95, "subsampling": 0}, 1.0),
    ],
)
def test_formats_with_8_bits(kind: str, options: Any, within: float, tmp_path: Path) -> None:
    place = save(tmp_path / "photo", plain((200, 120, 60)), kind, **options)
    assert lab_of(place) == pytest.approx(srgb_lab((200, 120, 60)), abs=within)


def test_heic(tmp_path: Path) -> None:
    image = Image.fromarray(plain((200, 120, 60), (64, 64)))
    pillow_heif.from_pillow(image).save(tmp_path / "photo.heic", quality=95)
    assert lab_of(tmp_path / "photo.heic") == pytest.approx(srgb_lab((200, 120, 60)), abs=1.5)
    assert "HEIC" in open_photo(tmp_path / "photo.heic").notes[0]


@pytest.mark.parametrize(
    # H.273: primaries 1 BT.709, 9 BT.2020, 12 P3; curves 13 sRGB, 16 PQ, 18 HLG, 8 linear.
    ("primaries", "curve", "read"),
    [
        (2, 2, "sRGB"),
        (1, 13, "sRGB"),
        (1, 1, "sRGB"),
        (12, 13, "Display P3"),
        (9, 16, None),
        (9, 18, None),
        (9, 13, None),
        (12, 16, None),
        (1, 8, None),
    ],
)
def test_heic_that_states_its_coding(
    primaries: int, curve: int, read: str | None, tmp_path: Path
) -> None:
    place = tmp_path / "photo.heic"
    image = Image.fromarray(plain((200, 120, 60), (64, 64)))
    options = {"color_primaries": primaries, "transfer_characteristics": curve}
    made = pillow_heif.from_pillow(image)
    made.save(place, quality=95, save_nclx_profile=True, full_range_flag=1, **options)
    stated = pillow_heif.open_heif(place).info["nclx_profile"]
    assert {key: int(stated[key]) for key in options} == options
    if read is None:
        with pytest.raises(sm.PhotoError, match=f"HDR.*primaries {primaries}, curve {curve}"):
            open_photo(place)
    else:
        assert open_photo(place).profile.name == read
    # A profile counts before what the coding states.
    image.info["icc_profile"] = icc(P3, SRGB_PARA)
    pillow_heif.from_pillow(image).save(place, save_nclx_profile=True, **options)
    assert open_photo(place).profile.name == "Display P3"


@pytest.mark.parametrize("kind", ["tiff", "png"])
def test_16_bits_are_not_cut_to_8(kind: str, tmp_path: Path) -> None:
    codes = np.full((24, 20, 3), (20000, 20100, 20200), dtype=np.uint16)
    place = tmp_path / f"photo.{kind}"
    if kind == "tiff":
        tifffile.imwrite(place, codes, photometric="rgb")
    else:
        rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in codes)

        def block(name: bytes, data: bytes) -> bytes:
            check = zlib.crc32(name + data)
            return struct.pack(">I", len(data)) + name + data + struct.pack(">I", check)

        head = block(b"IHDR", struct.pack(">IIBBBBB", 20, 24, 16, 2, 0, 0, 0))
        place.write_bytes(
            b"\x89PNG\r\n\x1a\n" + head + block(b"IDAT", zlib.compress(rows)) + block(b"IEND", b"")
        )
    assert open_photo(place).bits == 16
    assert lab_of(place) == pytest.approx(srgb_lab(np.array((20000, 20100, 20200)) / 257), abs=0.02)


def test_grey_and_palette_pictures(tmp_path: Path) -> None:
    Image.new("L", (20, 20), 150).save(tmp_path / "grey.png")
    found = sm.read_photo(tmp_path / "grey.png", region=ALL)
    assert found.uncorrected == pytest.approx(srgb_lab((150, 150, 150)), abs=0.02)
    assert any("grey" in text for text in found.warnings)
    image = Image.fromarray(plain((90, 120, 200))).quantize(8)
    image.save(tmp_path / "few.png")
    assert lab_of(tmp_path / "few.png") == pytest.approx(srgb_lab((90, 120, 200)), abs=0.02)
    deep = Image.fromarray(np.full((20, 20), 30000, dtype=np.uint16))
    deep.save(tmp_path / "deep.png")
    assert lab_of(tmp_path / "deep.png")[0] == pytest.approx(
        srgb_lab(np.full(3, 30000 / 257))[0], abs=0.02
    )


@pytest.mark.parametrize(
    ("primaries", "curve", "name"),
    [(P3, SRGB_PARA, "Display P3"), (A98, GAMMA, "Adobe RGB"), (OWN, TABLE, "of its own")],
)
def test_profiles_as_littlecms_reads_them(
    primaries: Any, curve: bytes, name: str, tmp_path: Path
) -> None:
    # Outside check: LittleCMS (through Pillow's ImageCms) takes the same file to Lab.
    data = icc(primaries, curve)
    codes = plain((180, 90, 60))
    place = save(tmp_path / "photo.png", codes, icc_profile=data)
    source = ImageCms.getOpenProfile(io.BytesIO(data))
    lab = ImageCms.createProfile("LAB", 5000)
    change = ImageCms.buildTransform(source, lab, "RGB", "LAB", renderingIntent=1)
    there = ImageCms.applyTransform(Image.fromarray(codes), change)
    light, *rest = there.getpixel((0, 0))
    values = np.array([light / 2.55, *(v - 128 for v in rest)])
    # Both as Lab under D50.
    from shadematch.colour.colorimetry import adapt, lab_to_xyz

    d50 = np.array([96.42, 100, 82.49])
    mine = xyz_to_lab(adapt(lab_to_xyz(lab_of(place), SRGB_WHITE), SRGB_WHITE, d50), d50)
    assert mine == pytest.approx(values, abs=0.8)  # its Lab is in whole units
    assert any(name in note for note in open_photo(place).notes)


def test_p3_is_not_taken_for_srgb(tmp_path: Path) -> None:
    codes = plain((200, 120, 60))
    as_p3 = lab_of(save(tmp_path / "p3.png", codes, icc_profile=icc(P3, SRGB_PARA)))
    assert float(sm.Target.from_lab(as_p3).lab[1]) > srgb_lab((200, 120, 60))[1] + 3


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation(orientation: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    blocks = rng.integers(30, 220, (5, 7, 3)).astype(np.uint8)
    stored = Image.fromarray(np.kron(blocks, np.ones((30, 30, 1), np.uint8)))
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored.save(tmp_path / "photo.png", exif=exif)
    with Image.open(tmp_path / "photo.png") as again:
        upright = np.asarray(ImageOps.exif_transpose(again))
    picture = open_photo(tmp_path / "photo.png")
    assert (picture.height, picture.width) == upright.shape[:2]
    for left, top in ((3, 5), (95, 100)):
        patch = picture.cut(left, top, left + 40, top + 31)
        wanted = picture.profile.tables(8)[0][upright[top : top + 31, left : left + 40, 0]]
        np.testing.assert_array_equal(patch.linear[..., 0], wanted)
    small, every = picture.small(50)
    step = int(every)
    rows, columns = (side // step for side in upright.shape[:2])
    squares = upright[: rows * step, : columns * step, 1].reshape(rows, step, columns, step)
    means = (squares.mean(axis=(1, 3)) + 0.5).astype(int)
    np.testing.assert_array_equal(small.linear[..., 1], picture.profile.tables(8)[1][means])


def test_alpha_is_left_out(tmp_path: Path) -> None:
    codes = plain((200, 120, 60, 255))
    codes[:10] = (0, 0, 255, 0)
    found = sm.read_photo(save(tmp_path / "a.png", codes), region=ALL)
    assert found.uncorrected == pytest.approx(srgb_lab((200, 120, 60)), abs=0.02)
    assert dict(found.shares)["see-through"] == pytest.approx(10 / 24)


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few hundred bytes whose header promises that many pixels."""

    def block(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    head = block(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return (
        b"\x89PNG\r\n\x1a\n" + head + block(b"IDAT", zlib.compress(bytes(99))) + block(b"IEND", b"")
    )


def _bad_files(folder: Path) -> dict[str, tuple[Path, str]]:
    good = save(folder / "good.jpg", plain((200, 120, 60), (64, 64)), "JPEG")
    whole = good.read_bytes()
    files: dict[str, tuple[Path, str]] = {}

    def add(name: str, data: bytes, words: str) -> None:
        (folder / name).write_bytes(data)
        files[name] = folder / name, words

    add("text.jpg", b"these are words\n" * 9, "not a picture")
    add("zero.jpg", b"", "empty")
    add("short.jpg", whole[: len(whole) // 2], "damaged")
    add("bomb.png", bomb(30_000, 30_000), "million pixels")
    add("bomb2.png", bomb(2_000_000_000, 3), "million pixels")
    add(
        "icc.png",
        save(folder / "i.png", plain((1, 2, 3)), icc_profile=b"nonsense").read_bytes(),
        "profile is damaged",
    )
    cmyk = bytearray(icc(P3, SRGB_PARA))
    cmyk[16:20] = b"CMYK"
    add(
        "wrong.png",
        save(folder / "w.png", plain((1, 2, 3)), icc_profile=bytes(cmyk)).read_bytes(),
        "for CMYK pictures",
    )
    Image.new("CMYK", (20, 20)).save(folder / "c.jpg")
    files["cmyk"] = folder / "c.jpg", "CMYK"
    frames = [Image.new("RGB", (20, 20), c) for c in ("red", "blue")]
    for name in ("moving.webp", "moving.png", "pages.tiff"):
        frames[0].save(folder / name, save_all=True, append_images=frames[1:])
        files[name] = folder / name, "animated"
    frames[0].save(folder / "moving.gif", save_all=True, append_images=frames[1:])
    files["gif"] = folder / "moving.gif", "GIF"
    files["folder"] = folder, "folder"
    files["nowhere"] = folder / "nowhere.jpg", "can't be read"
    os.mkfifo(folder / "pipe.jpg")
    files["pipe"] = folder / "pipe.jpg", "not a file"
    save(folder / "one.png", plain((9, 9, 9), (1, 1)))
    files["one pixel"] = folder / "one.png", "too few"
    return files


def test_files_that_are_refused(tmp_path: Path) -> None:
    for name, (path, words) in _bad_files(tmp_path).items():
        with pytest.raises(sm.PhotoError) as found:
            sm.read_photo(path, region=ALL)
        assert words in str(found.value), name
        assert found.value.remedy, name
        if name != "one pixel":
            with pytest.raises(sm.PhotoError):
                sm.flat_areas(path)
    for wrong in (None, 3, b"\0", "a\0b"):
        with pytest.raises(sm.PhotoError):
            sm.read_photo(wrong, region=ALL)  # type: ignore[arg-type]


def test_unreadable_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = save(tmp_path / "photo.png", plain((200, 120, 60)))

    def refuse(*_: Any, **__: Any) -> Any:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # root may read whatever its mode says
    with pytest.raises(sm.PhotoError, match="Permission denied"):
        sm.read_photo(place, region=ALL)


def test_nothing_else_of_the_file_is_kept(tmp_path: Path) -> None:
    import pickle

    exif = Image.Exif()
    exif[0x010F] = "Secretmaker"
    exif[0x8825] = {1: "N", 2: (52.0, 31.0, 7.0)}
    exif[0x9C9B] = "hidden title"
    place = tmp_path / "secretname.jpg"
    save(place, plain((200, 120, 60), (64, 64)), "JPEG", exif=exif, comment=b"secretcomment")
    found = sm.read_photo(place, region=ALL)
    kept = pickle.dumps(found) + str(found).encode() + repr(found).encode()
    kept += found._repr_html_().encode()
    for word in (b"Secret", b"secret", b"hidden", b"GPS"):
        assert word not in kept
    assert pickle.loads(pickle.dumps(found)) == found


def _mutated(data: bytes, rng: np.random.Generator) -> bytes:
    bytes_ = bytearray(data)
    how = rng.integers(4)
    if how == 0:
        return data[: rng.integers(0, len(data))]
    for _ in range(rng.integers(1, 9)):
        at = int(rng.integers(0, len(bytes_) if how == 1 else min(len(bytes_), 120)))
        bytes_[at] = int(rng.integers(0, 256))
    if how == 3:
        at, size = int(rng.integers(0, len(bytes_))), int(rng.integers(1, 40))
        bytes_[at:at] = bytes_[at : at + size] if rng.random() < 0.5 else bytes(size)
    return bytes(bytes_)


@pytest.mark.slow
def test_mutated_files(tmp_path: Path) -> None:
    """2,000 damaged files give a finite colour or an error of the library, nothing else."""
    rng = np.random.default_rng(11)
    noisy = rng.integers(90, 160, (24, 24, 3)).astype(np.uint8)
    image = Image.fromarray(noisy)
    seeds = []
    for kind, options in (
        ("JPEG", {"icc_profile": icc(P3, SRGB_PARA)}),
        ("JPEG", {"progressive": True}),
        ("PNG", {"icc_profile": icc(A98, TABLE)}),
        ("PNG", {}),
        ("TIFF", {}),
        ("TIFF", {"compression": "tiff_lzw"}),
        ("WEBP", {}),
        ("WEBP", {"lossless": True}),
    ):
        stream = io.BytesIO()
        image.save(stream, kind, **options)
        seeds.append(stream.getvalue())
    stream = io.BytesIO()
    tifffile.imwrite(stream, noisy.astype(np.uint16) * 257, photometric="rgb")
    seeds.append(stream.getvalue())
    stream = io.BytesIO()
    pillow_heif.from_pillow(image.resize((64, 64))).save(stream, quality=60)
    seeds.append(stream.getvalue())
    place = tmp_path / "photo"
    read = 0
    for i in range(2000):
        place.write_bytes(_mutated(seeds[i % len(seeds)], rng))
        try:
            found = sm.read_photo(place, region=(2, 2, 20, 20))
        except sm.PhotoError as error:
            assert error.remedy
            continue
        read += 1
        assert np.all(np.isfinite(found.target.lab))
        assert np.all(np.isfinite(np.array(found.target.covariance)))
    assert 200 < read < 1800  # both ends are met often


@pytest.mark.parametrize(("level", "light"), [(0, "more light"), (255, "less light")])
def test_dark_photos_want_more_light_and_bright_ones_less(
    level: int, light: str, tmp_path: Path
) -> None:
    Image.new("RGB", (40, 40), (level,) * 3).save(tmp_path / "a.png")
    with pytest.raises(sm.PhotoError, match="1600 are clipped") as found:
        sm.read_photo(tmp_path / "a.png", region=(0, 0, 1, 1))
    assert light in found.value.remedy


@pytest.mark.parametrize("first", [0, 30, 60])
def test_hostile_files(first: int, tmp_path: Path) -> None:
    """A few of the two thousand of `tests.bench.photo_hostile`, without the largest."""
    told = [
        hostile_photos.trial(seed, tmp_path)[0]
        for seed in range(first, first + 30)
        if seed % 200 != 2
    ]
    assert not [text for text in told if text]


def test_hostile_files_are_not_all_refused_or_accepted(tmp_path: Path) -> None:
    """Else the trial above could not fail."""
    accepted = [hostile_photos.trial(seed, tmp_path)[1] for seed in range(0, 40) if seed != 2]
    assert 5 < sum(accepted) < 30
