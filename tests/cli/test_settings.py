"""The settings of a folder, and what is said of invented pastes."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli import settings
from shadematch.cli.main import main
from tests.keeping.test_settings import own_palette

INVENTED = "These pastes are invented samples."


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.chdir(tmp_path)
    sm.save(own_palette(), tmp_path / "mine.json")
    yield tmp_path


def said(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(words) == 0, capsys.readouterr().err
    return capsys.readouterr().out


@pytest.mark.usefixtures("folder")
def test_the_second_command_is_short(capsys: pytest.CaptureFixture[str]) -> None:
    out = said(capsys, "settings", "--palette", "mine.json", "--batch", "1kg", "--bar", "95")
    assert "saved in shadematch.toml" in out
    told = json.loads(said(capsys, "match", "d9822b", "--json"))
    same = sm.match("#d9822b", palette=own_palette(), pour=sm.Pour(batch_g=1000))
    assert told["doses"] == dict(same.recipe.doses) and told["delta_e"] == same.delta_e
    assert "notices" not in told
    # What is given counts before what is usual; bars are counted as usual everywhere.
    assert (
        json.loads(said(capsys, "match", "d9822b", "--batch", "300", "--json"))["pour"]["batch_g"]
        == 300
    )
    assert "10 bars of 95 g" in said(capsys, "cost", "gorse=2")
    assert "10 bars of 95 g" in said(capsys, "sheet", "d9822b")
    # Shown by the same verb, changed only where that is allowed.
    shown = json.loads(said(capsys, "settings", "--json"))
    assert shown["settings"] == {"palette": "mine.json", "batch_g": 1000, "bar_g": 95}
    assert main(["settings", "--bar", "80"]) == 2
    assert "--replace" in capsys.readouterr().err
    said(capsys, "settings", "--bar", "80", "--replace")
    shown = json.loads(said(capsys, "settings", "--json"))
    assert shown["settings"] == {"palette": "mine.json", "batch_g": 1000, "bar_g": 80}


def test_settings_elsewhere(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    away = folder / "studio"
    away.mkdir()
    sm.save(own_palette(), away / "mine.json")
    (away / "ours.toml").write_text('palette = "mine.json"\n', encoding="utf-8")
    out = said(capsys, "match", "d9822b", "--settings", "studio/ours.toml")
    assert INVENTED not in out
    assert main(["match", "d9822b", "--settings", "gone.toml"]) == 2
    assert "--settings" in capsys.readouterr().err
    (away / "ours.toml").write_text("batch = 3", encoding="utf-8")
    assert main(["match", "d9822b", "--settings", "studio/ours.toml"]) == 2
    assert "batch" in capsys.readouterr().err


@pytest.mark.usefixtures("folder")
def test_it_asks_where_somebody_sits(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter(["gone.json", "mine.json", "1,5kg", "25mm", "", "95", "grey", ""])
    monkeypatch.setattr(settings, "_somebody_there", lambda: True)
    monkeypatch.setattr("builtins.input", lambda _: next(answers))
    out = said(capsys, "settings")
    assert "gone.json" in out and "grey" in out  # asked again
    told = json.loads(said(capsys, "settings", "--json"))["settings"]
    assert told == {"palette": "mine.json", "batch_g": 1500, "thickness_cm": 2.5, "bar_g": 95}


@pytest.mark.usefixtures("folder")
def test_answers_that_end_early_write_nothing(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def ended(_: str) -> str:
        raise EOFError

    monkeypatch.setattr(settings, "_somebody_there", lambda: True)
    monkeypatch.setattr("builtins.input", ended)
    assert main(["settings"]) == 2
    assert "nothing was written" in capsys.readouterr().err
    assert not Path("shadematch.toml").exists()


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    "words",
    [
        ("match", "d9822b"),
        ("predict", "gorse=3"),
        ("sheet", "d9822b"),
        ("cost", "gorse=3"),
        ("spread", "gorse=3"),
        ("wedge", "gorse=3", "--from", "0", "--to", "2"),
        ("palette",),
        ("smallest-batch", "d9822b"),
        ("pot", "gorse=3"),
    ],
)
def test_invented_pastes_are_told(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert INVENTED in " ".join(said(capsys, *words).split())
    assert INVENTED in said(capsys, *words, "--json")
    mine = ("--palette", "mine.json") if words != ("palette",) else ("mine.json",)
    assert INVENTED not in " ".join(said(capsys, *words, *mine).split())
    assert INVENTED not in said(capsys, *words, *mine, "--json")


def test_invented_pastes_are_told_by_results() -> None:
    match = sm.match("#d9822b", pour=sm.Pour(batch_g=100))
    assert INVENTED in str(match) and INVENTED in match._repr_html_()
    sheet = sm.batch_sheet(match)
    assert INVENTED in " ".join(sheet.text.split()) and INVENTED in sheet.html
    part = sm.demo_palette().only("gorse", "dusk")
    assert (
        INVENTED in str(sm.gamut(palette=part, pour=sm.Pour(batch_g=100)))
        and INVENTED in part.notice
    )
    own = sm.match("#d9822b", palette=own_palette(), pour=sm.Pour(batch_g=100))
    assert INVENTED not in str(own) and not own_palette().notice
