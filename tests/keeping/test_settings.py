"""What is usual in a studio, in one file."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

import shadematch as sm
from shadematch.keeping.settings import Settings, UsualValues


def own_palette() -> sm.Palette:
    """Like the demo palette, and not the same."""
    demo = sm.demo_palette()
    pigments = [
        p.model_copy(update={"absorption": tuple(1.3 * v for v in p.absorption)})
        for p in demo.pigments
    ]
    return sm.Palette(pigments=tuple(pigments), clear=demo.clear, white=demo.white)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(
    usual=st.builds(
        UsualValues,
        batch_g=st.none() | st.floats(0.1, 1e5),
        thickness_cm=st.none() | st.floats(0.2, 8),
        white=st.none() | st.floats(0, 1),
        bar_g=st.none() | st.floats(0.1, 1e4),
        loss=st.none() | st.floats(0, 0.99),
        backing=st.none() | st.sampled_from(["white", "black"]) | st.floats(0, 1),
        contact=st.none() | st.sampled_from(["dry", "wet"]),
        illuminant=st.none() | st.sampled_from(["D65", "A"]),
        observer=st.none() | st.sampled_from(["2", "10"]),
    )
)
def test_what_is_saved_is_read(usual: UsualValues, tmp_path: Path) -> None:
    place = tmp_path / "shadematch.toml"
    Settings.of(usual, place).save(replace=True)
    found = Settings.from_file(place)
    assert found.usual == usual
    # Another reader of TOML sees the same: what is stated, and nothing else.
    assert tomllib.loads(place.read_text(encoding="utf-8")) == usual.stated


def test_a_match_with_settings(tmp_path: Path) -> None:
    sm.save(own_palette(), tmp_path / "mine.json")
    place = tmp_path / "shadematch.toml"
    place.write_text('palette = "mine.json"\nbatch_g = 800\nthickness_cm = 2\n', encoding="utf-8")
    usual = Settings.from_file(place)
    match = sm.match("#d9822b", **usual.given)
    assert match.palette == own_palette()
    assert match.pour == sm.Pour(batch_g=800, thickness_cm=2) and match.view == sm.View()
    assert "mine.json" in str(usual) and "800" in str(usual)


@pytest.mark.parametrize(
    ("text", "field"),
    [
        ("batch_g = -5", "batch_g"),
        ("thickness_cm = 2000", "thickness_cm"),
        ("batch = 500", "batch"),
        ('batch_g = "500"', "batch_g"),
        ("loss = 1", "loss"),
        ('illuminant = "sun"', "illuminant"),
        ('backing = "grey"', "backing"),
        ("white = 20", "white"),
        ('palette = "gone.json"', "shadematch.toml: palette"),
        ("batch_g 500", "path"),
    ],
)
def test_what_cannot_be_is_refused(text: str, field: str, tmp_path: Path) -> None:
    place = tmp_path / "shadematch.toml"
    place.write_text(text, encoding="utf-8")
    with pytest.raises(sm.ShadematchError) as no:
        Settings.from_file(place)
    assert field in str(no.value.field) and no.value.remedy


def test_other_settings_are_not_lost(tmp_path: Path) -> None:
    place = tmp_path / "shadematch.toml"
    place.write_text("batch_g = 700\n", encoding="utf-8")
    with pytest.raises(sm.FileError, match="another file"):
        Settings.of(UsualValues(batch_g=500.0), place).save()
    assert place.read_text(encoding="utf-8") == "batch_g = 700\n"
