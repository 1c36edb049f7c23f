"""Write the demo palette: five pastes and two bases, all invented.

Scenario: a workshop in a disused ferry house names its pastes after what it sees from the
window. The absorption curves are sums of smooth bands and edges of the kind that pigment pastes
have, over a little grey; positions and strengths were chosen for a wide gamut
(``python -m tests.bench.coverage`` tells how wide). No real product was measured. Run
``python data/make_demo_palette.py`` from the project's root.
"""

import numpy as np

from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.keeping.files import save
from shadematch.studio.palette import Palette
from shadematch.studio.pigment import Base, Pigment


def band(centre_nm, width_nm, height, tail=1.0):
    """A band that is Gaussian in wavelength, `tail` times as wide towards short waves."""
    width = np.where(centre_nm > NM, width_nm * tail, width_nm)
    return height * np.exp(-(((NM - centre_nm) / width) ** 2))


def edge(centre_nm, width_nm, height):
    """Absorb below an edge, as yellows do."""
    return height / (1.0 + np.exp((NM - centre_nm) / width_nm))


PASTES = {
    # name: (absorption [1/cm per cm/100 g], tube price in an invented currency)
    "gorse": (edge(490, 13.0, 1.6) + 0.02, 8.5),  # yellow
    "rosehip": (band(526, 34, 1.0, 1.15) + band(400, 40, 0.12) + 0.012, 9.0),  # purple-red
    "jetty": (band(656, 50, 1.6, 1.1) + band(735, 45, 1.0) + band(400, 25, 0.08) + 0.02, 9.5),
    "dusk": (band(574, 40, 2.5, 1.2) + band(690, 50, 0.38) + 0.03, 11.0),  # violet
    "kelp": (edge(438, 11, 2.0) + band(674, 37, 0.7) + band(735, 40, 0.35) + 0.015, 9.0),
}


def rounded(values):
    """Four digits are plenty for an invented paste."""
    return tuple(float(f"{v:.4g}") for v in values)


def palette():
    """Build the palette."""
    wave = NM / 550.0
    clear = Base(
        absorption=rounded(0.003 + 0.004 * wave**-6),
        scattering=rounded(0.006 * wave**-1.1),
    )
    white = Base(
        absorption=rounded(0.006 + 0.016 * wave**-6),
        scattering=rounded(20.0 * wave**-1.1),
    )
    return Palette(
        pigments=tuple(
            Pigment(name=name, absorption=rounded(curve), tube_size=87, tube_price=price)
            for name, (curve, price) in PASTES.items()
        ),
        clear=clear,
        white=white,
        note="Invented for demonstration: no real paste or base was measured.",
    )


if __name__ == "__main__":
    save(palette(), "shadematch/resources/demo-palette.json", replace=True)
    print(f"wrote {', '.join(palette().names)}")
