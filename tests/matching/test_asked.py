"""What may be asked."""

import pytest

import shadematch as sm


def test_a_batch_too_small_for_what_must_be_used_is_refused() -> None:
    gorse = sm.LetDown.made("gorse", paste=1, base_g=50)
    for batch in (20, 24):
        with pytest.raises(sm.PourError, match="too small for 1 cm of paste") as no:
            sm.match(
                "#f4d9c6",
                pour=sm.Pour(batch_g=batch),
                let_downs=[gorse],
                must_use=["rosehip"],
            )
        assert "Melt at least 25 g" in no.value.remedy
    # A let-down of the paste itself does in a small batch.
    small = sm.match("#f4d9c6", pour=sm.Pour(batch_g=20), let_downs=[gorse], must_use=["gorse"])
    assert small.recipe.weighed and small.recipe.doses["gorse"] <= 0.8
