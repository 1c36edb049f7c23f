"""Write the demo palette: five pastes and two bases, all invented.

Scenario: a workshop in a disused ferry house names its pastes after what it sees from the
window. The absorption curves are sums of smooth bands of the kind that pigment pastes have;
no real product was measured. Run ``python data/make_demo_palette.py`` from the project's root.
"""

import numpy as np

from shadematch.materials import Base, Palette, Pigment
from shadematch.standards import WAVELENGTHS_NM as NM


def band(centre_nm, width_nm, height, tail=1.0):
    """A band that is Gaussian in wavelength, `tail` times as wide towards short waves."""
    width = np.where(centre_nm > NM, width_nm * tail, width_nm)
    return height * np.exp(-(((NM - centre_nm) / width) ** 2))


def edge(centre_nm, width_nm, height):
    """Absorbs below an edge, as yellows and reds do."""
    return height / (1.0 + np.exp((NM - centre_nm) / width_nm))


PASTES = {
    # name: (absorption [1/cm per cm/100 g], tube price in an invented currency)
    "gorse": (edge(496, 9.0, 1.9) + 0.003, 8.5),  # yellow
    "rosehip": (band(532, 38, 2.1, 1.15) + band(400, 40, 0.25) + 0.004, 9.0),  # purple-red
    "jetty": (band(640, 52, 2.2, 1.1) + band(735, 45, 1.4) + band(400, 25, 0.1) + 0.004, 9.5),
    "dusk": (band(578, 46, 2.3, 1.2) + band(690, 50, 0.35) + 0.005, 11.0),  # violet
    "kelp": (edge(455, 14, 1.5) + band(660, 46, 1.9, 1.0) + band(735, 40, 1.0) + 0.006, 9.0),
}


def rounded(values):
    """Four digits are plenty for an invented paste."""
    return tuple(float(f"{v:.4g}") for v in values)


def main():
    """Build the palette and write it into the package."""
    wave = NM / 550.0
    clear = Base(
        absorption=rounded(0.004 + 0.012 * wave**-6),
        scattering=rounded(0.02 * wave**-1.1),
    )
    white = Base(
        absorption=rounded(0.006 + 0.016 * wave**-6),
        scattering=rounded(20.0 * wave**-1.1),
    )
    palette = Palette(
        pigments=tuple(
            Pigment(name=name, absorption=rounded(curve), tube_cm=87, tube_price=price)
            for name, (curve, price) in PASTES.items()
        ),
        clear=clear,
        white=white,
        note="Invented for demonstration: no real paste or base was measured.",
    )
    palette.save("shadematch/resources/demo-palette.json")
    print(f"wrote {', '.join(palette.names)}")


if __name__ == "__main__":
    main()
