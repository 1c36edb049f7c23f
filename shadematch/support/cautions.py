"""How to work and sell safely, printed with every recipe."""

from typing import Final

__all__ = ["CAUTIONS", "IN_SHORT"]

CAUTIONS: Final[tuple[str, ...]] = (
    "Hot base burns the skin: mind splashes, keep children and pets away.",
    "Alcohol spray is flammable: no flames near it.",
    "Use only colourants allowed for cosmetics where you sell, at allowed levels, "
    "with a qualified safety assessment where the law asks for one.",
    "Don't breathe powder dust.",
    "Local rules and licensed practice come first.",
)
"""One sentence each, in the order of printing."""
IN_SHORT: Final = (
    "Cautions: hot base burns; alcohol spray is flammable; only colourants allowed for cosmetics; "
    "no powder dust; local rules first"
)
"""All of them in one line."""
