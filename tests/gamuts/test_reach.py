"""The gamut against brute sampling, SciPy, proofs and solids that are known."""

from __future__ import annotations

import html
from types import ModuleType

import matplotlib as mpl
import numpy as np
import pytest
from scipy.optimize import minimize
from skimage.color import deltaE_ciede2000

import shadematch as sm
from shadematch.colour.colorimetry import SRGB_WHITE, srgb_to_xyz, xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.gamuts.answers import Volume
from shadematch.gamuts.faces import faces_of, lattice, loads_on
from shadematch.gamuts.reach import Gamut
from shadematch.gamuts.real_doses import RealDoses
from shadematch.gamuts.solid import fill, volume_inside, wrap
from shadematch.predicting.prediction import model_for
from shadematch.search.ideal import ideal
from shadematch.search.ideal_many import descend
from shadematch.support.arrays import FloatArray
from tests.invented.problems import invented_palette

mpl.use("Agg")

CONDITIONS = (
    sm.Pour(batch_g=100),
    sm.Pour(batch_g=100, thickness_cm=3.0, white=0.05, max_load=2.5),
    sm.Pour(batch_g=100, thickness_cm=0.4, white=1.0),
)


def sampled_loads(rng: np.random.Generator, size: int, limit: float, count: int) -> FloatArray:
    """Loads all over the permitted region, edges and corners among them, shape (count, size)."""
    loads = rng.dirichlet(np.full(size + 1, 0.6), size=count)[:, :size] * limit
    loads *= rng.random((count, 1)) ** rng.integers(0, 3, size=(count, 1))
    lean = rng.random((count, size)) < 0.25
    return np.where(lean, 0.0, loads)


def lab_of(found: Gamut, loads: FloatArray) -> FloatArray:
    pour = found.pour
    return model_for(found.palette, pour.thickness_cm, pour.white, found.view).lab(loads)


# Inside and outside.


@pytest.mark.parametrize("pour", CONDITIONS, ids=str)
def test_every_sampled_colour_is_inside(pour: sm.Pour) -> None:
    found = sm.gamut(pour=pour)
    rng = np.random.default_rng(1)
    labs = lab_of(found, sampled_loads(rng, 5, pour.max_load, 1500))
    assert found.distances(labs).max() <= 0.1


@pytest.mark.parametrize("seed", range(6))
def test_every_sampled_colour_of_random_palettes_is_inside(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    palette = invented_palette(rng, int(rng.integers(1, 9)), twins=seed == 5)
    view = sm.View(backing="black") if seed % 2 else sm.View(through=True)
    found = sm.gamut(palette=palette, view=view, pour=sm.Pour(batch_g=100))
    labs = lab_of(found, sampled_loads(rng, len(palette.pigments), 4.0, 150))
    assert found.distances(labs).max() <= 0.1
    for lab in labs[:5]:
        # Straight from the array, since a Target is refused where rounding leaves the solid of
        # object colours.
        assert found.contains(sm.Target(tuple(lab.tolist())))


def test_targets_moved_outward_are_outside() -> None:
    """The judge is brute force: no one of 60,000 sampled recipes may be inside either."""
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    rng = np.random.default_rng(2)
    brute = lab_of(found, sampled_loads(rng, 5, 4.0, 60_000))
    centre = np.array([55.0, 0.0, 0.0])
    surface = found.surface
    chosen = rng.choice(len(surface.vertices), 8, replace=False)
    moved = centre + 1.12 * (surface.vertices[chosen] - centre)
    outside = 0
    for lab in moved:
        nearest = float(delta_e(brute, lab).min())
        target = sm.Target(tuple(lab.tolist()))
        answer = found.nearest(target)
        # The search is never beaten by the samples, and the proof never passes them.
        assert answer.delta_e <= nearest + 1e-6
        assert answer.bound <= nearest + 1e-9
        assert found.contains(target) == (answer.delta_e <= 0.1)
        if answer.delta_e > 0.3:
            outside += 1
            assert answer.bound > 0.1
    assert outside >= 4


def test_what_is_lighter_than_bare_base_is_outside() -> None:
    """R falls with every dose, so L* is at most that of no paste at all."""
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    bare = sm.predict({}, pour=sm.Pour(batch_g=100)).lab
    lighter = sm.Target((bare[0] + 1.0, bare[1], bare[2]))
    assert not found.contains(lighter)
    answer = found.nearest(lighter)
    # CIEDE2000 of a difference of 1 in L* alone near L* = 93 (Sharma et al. 2005, S_L).
    assert answer.delta_e == pytest.approx(float(delta_e(np.array(bare), np.array(lighter.lab))))
    assert answer.choice.recipe.doses == {}


@pytest.mark.parametrize("code", ["#00ffff", "#8888ff", "#ff00ff", "#fffbe0", "#4000ff"])
def test_nearest_is_not_beaten_by_multistart_scipy(code: str) -> None:
    """SLSQP from eight starts on scikit-image's CIEDE2000."""
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    target = sm.Target.from_hex(code)
    model = model_for(found.palette, 1.0, 0.0, found.view)
    wanted = target.lab_in(found.view)

    def cost(loads: FloatArray) -> float:
        return float(deltaE_ciede2000(wanted, model.lab(np.clip(loads, 0.0, 4.0))))

    limit = {"type": "ineq", "fun": lambda x: 4.0 - x.sum()}
    starts = sampled_loads(np.random.default_rng(3), 5, 4.0, 8)
    best = np.inf
    for start in starts:
        done = minimize(
            cost,
            start,
            method="SLSQP",
            bounds=[(0.0, 4.0)] * 5,
            constraints=[limit],
            options={"maxiter": 80},
        )
        loads = np.clip(done.x, 0.0, None)
        loads *= min(1.0, 4.0 / max(loads.sum(), 1e-9))
        best = min(best, cost(loads))
    answer = found.nearest(target)
    assert answer.delta_e <= best + 1e-3
    assert answer.bound <= best + 1e-9


def test_many_targets_at_once_agree_with_the_single_search() -> None:
    region = RealDoses(sm.demo_palette(), sm.Pour(batch_g=100, white=0.1), sm.View())
    rng = np.random.default_rng(4)
    labs = np.column_stack([rng.uniform(5, 95, 40), rng.uniform(-90, 90, (40, 2))])
    together = region.distances(labs)
    for lab, value in zip(labs, together, strict=True):
        assert value <= ideal(region.space, lab)[1] + 1e-3


def test_descend_keeps_to_the_region_and_says_what_it_reached() -> None:
    region = RealDoses(sm.demo_palette(), sm.Pour(batch_g=100), sm.View())
    rng = np.random.default_rng(5)
    labs = np.column_stack([rng.uniform(0, 100, 200), rng.uniform(-120, 120, (200, 2))])
    starts = rng.dirichlet(np.full(6, 0.5), size=200)[:, :5] * 1000.0
    steps, values = descend(region.space, labs, starts)
    assert steps.min() >= 0.0
    assert steps.sum(axis=1).max() <= 1000.0 * (1 + 1e-12)
    assert values == pytest.approx(delta_e(region.space.lab(steps), labs), abs=1e-9)
    assert np.all(values <= delta_e(region.space.lab(starts), labs) + 1e-9)


def test_no_whole_recipe_is_closer_than_the_gamut() -> None:
    """Every permitted recipe of 500 g, by catalogue, against the continuous search."""
    rng = np.random.default_rng(6)
    targets = [sm.Target.from_srgb(rng.random(3).tolist()) for _ in range(120)]
    pour = sm.Pour(batch_g=500)
    whole = [m.closest.delta_e for m in sm.match_many(targets, pour=pour)]
    assert np.all(sm.gamut(pour=pour).distances(targets) <= np.array(whole) + 1e-4)


def test_fewer_pigments_reach_less() -> None:
    both, one = (
        sm.gamut(pour=sm.Pour(batch_g=100)),
        sm.gamut(max_pigments=2, pour=sm.Pour(batch_g=100)),
    )
    rng = np.random.default_rng(7)
    targets = [sm.Target.from_srgb(rng.random(3).tolist()) for _ in range(60)]
    far, near = one.distances(targets), both.distances(targets)
    assert np.all(far >= near - 1e-4)
    assert np.sum(far > near + 1.0) > 20
    answer = one.nearest("#7fb069")
    assert answer.choice.recipe.tubes <= 2
    assert answer.bound <= answer.delta_e
    assert one.volume == Volume(0.0, 0.0)
    with pytest.raises(sm.PourError, match="three pigments"):
        _ = one.surface


def test_a_palette_that_scatters_is_answered_but_not_proved() -> None:
    demo = sm.demo_palette()
    chalk = sm.Pigment(
        name="chalk", absorption=(0.01,) * 36, scattering=(4.0,) * 36, tube_size=80.0
    )
    palette = demo.model_copy(update={"pigments": (*demo.pigments[:3], chalk)})
    found = sm.gamut(palette=palette, pour=sm.Pour(batch_g=100))
    made = sm.predict({"gorse": 1.3, "chalk": 0.7}, palette=palette, pour=sm.Pour(batch_g=100))
    assert found.contains(sm.Target(made.lab))
    far = found.nearest("#00ffff")
    assert far.bound == 0.0 and not far.proved
    assert "not proved" in str(far)


# The solid.


def test_lattice_fills_the_tetrahedron() -> None:
    cells = lattice(5)
    assert len(cells.tetrahedra) == 125
    assert cells.corners.sum(axis=1) == pytest.approx(1.0)
    points = cells.corners[cells.tetrahedra][:, :, 1:]
    volume = np.abs(np.linalg.det(points[:, 1:] - points[:, :1])) / 6.0
    assert volume == pytest.approx(np.full(125, 1.0 / 6.0 / 125.0))


def test_faces_lie_in_the_permitted_region() -> None:
    assert len(faces_of(5, 5)) == 15
    assert len(faces_of(8, 8)) == 126
    assert len(faces_of(2, 2)) == 1
    cells = lattice(6)
    for face in faces_of(4, 4):
        loads = loads_on(face, cells.corners, size=4, most=4.0)
        assert loads.min() >= 0.0
        assert loads.sum(axis=1).max() <= 4.0 * (1 + 1e-12)
        corners = {tuple(row) for row in np.round(loads, 9).tolist()}
        assert {tuple(4.0 * (i == c) for i in range(4)) for c in face} <= corners


def _srgb_parts() -> list[tuple[FloatArray, np.ndarray]]:
    """The sRGB cube as six tetrahedra, each cut into small ones, in CIELAB."""
    cells = lattice(24)
    parts = []
    for order in ((0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)):
        corners = [np.zeros(3)]
        for axis in order:
            corners.append(corners[-1] + np.eye(3)[axis])
        rgb = np.clip(cells.corners @ np.array(corners), 0.0, 1.0)
        parts.append((xyz_to_lab(srgb_to_xyz(rgb), SRGB_WHITE), cells.tetrahedra))
    return parts


def test_volume_of_srgb_agrees_with_colour_science(colour: ModuleType) -> None:
    """Against the Monte Carlo of colour-science: three of its standard errors, and 1 % of ours."""
    from colour.volume.rgb import sample_RGB_colourspace_volume_MonteCarlo

    body = fill(_srgb_parts())
    samples = 300_000
    box = np.array([[0, 100], [-100, 110], [-120, 110]])
    space = colour.RGB_COLOURSPACES["sRGB"]
    inside = sample_RGB_colourspace_volume_MonteCarlo(
        space, samples, box, space.whitepoint, random_state=np.random.RandomState(8)
    )
    size, share = float(np.prod(np.ptp(box, axis=1))), inside / samples
    reference, error = share * size, size * np.sqrt(share * (1 - share) / samples)
    assert error < 0.005 * reference
    assert abs(body.volume - reference) <= 3 * error + 0.01 * reference
    assert abs(wrap(body).volume - reference) <= 3 * error + 0.01 * reference


def test_hollows_and_cavities_stay() -> None:
    """A thick bent plate and a hollow ball of known volume: no hull is taken."""
    cells = lattice(20)
    parts = []
    for order in ((0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)):
        corners = [np.zeros(3)]
        for axis in order:
            corners.append(corners[-1] + np.eye(3)[axis])
        u, v, w = np.moveaxis(cells.corners @ np.array(corners), -1, 0)
        # Half a ring: radius 20 to 30, height 20.
        r, angle = 20.0 + 10.0 * u, np.pi * v
        parts.append(
            (
                np.column_stack([40 + 20.0 * w, r * np.cos(angle), r * np.sin(angle)]),
                cells.tetrahedra,
            )
        )
    body = fill(parts, pitch=1.0)
    known = 0.5 * np.pi * (30.0**2 - 20.0**2) * 20.0
    assert body.volume == pytest.approx(known, rel=0.02)
    assert wrap(body).volume == pytest.approx(known, rel=0.02)
    hollow = np.array([[50.0, 0.0, 5.0], [50.0, 8.0, 10.0], [50.0, 0.0, 15.0]])
    assert not body.holds(hollow).any()
    assert body.holds(np.array([[50.0, 0.0, 25.0], [50.0, 25.0, 1.0]])).all()


def test_volume_agrees_with_plain_monte_carlo() -> None:
    """Random colours over a box, each decided by search, without any voxels."""
    found = sm.gamut(pour=sm.Pour(batch_g=100, white=0.2))
    value, error = found.volume.value, found.volume.error
    low = np.array([0.0, -90.0, -80.0])
    high = np.array([100.0, 90.0, 110.0])
    labs = np.random.default_rng(9).uniform(low, high, size=(6000, 3))
    share = float(np.mean(found.distances(labs) == 0.0))
    size = float(np.prod(high - low))
    plain_error = size * np.sqrt(share * (1 - share) / len(labs))
    assert abs(value - share * size) <= 3 * plain_error + 1.5 * error
    assert error < 0.02 * value
    assert found.surface.volume == pytest.approx(value, rel=0.02)


def test_surface_is_closed_and_made_of_colours_that_can_be_made() -> None:
    found = sm.gamut(pour=sm.Pour(batch_g=100, white=0.2))
    surface = found.surface
    edges = np.sort(surface.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, count = np.unique(edges, axis=0, return_counts=True)
    assert set(count.tolist()) == {2}
    assert volume_inside(surface.vertices, surface.triangles) > 0
    assert found.distances(surface.vertices[::7]).max() <= 0.1
    outward = surface.vertices[::40] + 1.5 * surface.normals()[::40]
    assert np.mean(found.distances(outward) > 0.0) > 0.9


# Slices, maps, coverage.


@pytest.mark.parametrize("kind", [{"lightness": 60.0}, {"hue": 40.0}])
def test_slice_is_decided_point_by_point(kind: dict[str, float]) -> None:
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    cut = found.slice(**kind, step=8.0)
    assert cut.distances.shape == (cut.up.size, cut.across.size)
    assert cut.area == cut.inside.sum() * 64.0 > 1000.0
    rng = np.random.default_rng(10)
    for _ in range(6):
        y, x = rng.integers(cut.up.size), rng.integers(cut.across.size)
        value = found.distance(sm.Target(tuple(cut.lab[y, x].tolist())))
        assert cut.distances[y, x] == pytest.approx(value, abs=1e-3)
    lab = cut.lab[3, 5]
    if "hue" in kind:
        assert lab[0] == cut.up[3]
        away = cut.across[5] * np.array([np.cos(np.radians(40)), np.sin(np.radians(40))])
        assert lab[1:] == pytest.approx(away)
    else:
        assert lab.tolist() == [60.0, cut.across[5], cut.up[3]]
    # Nothing that can be made is cut off by the frame.
    frame = np.concatenate([cut.inside[0], cut.inside[:, 0], cut.inside[:, -1]])
    assert not frame.any()


def test_whole_maps_agree_with_match() -> None:
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    maps = found.whole(lightness=60.0, step=20.0, batches_g=(100.0, 300.0, 1200.0))
    middles = [float(np.median(m.distances)) for m in maps]
    assert middles == sorted(middles, reverse=True)
    for made in maps:
        assert made.proved.all()
        lab = made.slice.lab[made.rows[2], made.columns[2]]
        closest = sm.match(sm.Target(tuple(lab.tolist())), pour=made.pour).closest
        assert made.distances[2] == pytest.approx(closest.delta_e, abs=0.011)
    assert 0.0 <= maps[0].share(1.0) <= maps[2].share(1.0) <= 1.0


def test_coverage_counts() -> None:
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    some = found.coverage(["#d9822b", "#00ffff", sm.Target.from_hex("#7fb069")], within=1.0)
    assert some.share == pytest.approx(2 / 3)
    assert "66.7%" in some.sentence and some.sentence in str(some)
    munsell = found.coverage("munsell", within=2.0)
    assert munsell.distances.shape == (2734,)
    assert munsell.share == np.mean(munsell.distances <= 2.0)
    assert found.coverage("srgb", within=200.0).share == 1.0


def test_munsell_colours_are_those_of_the_renotation() -> None:
    """Y of values 1 to 9 against magnesium oxide: Newhall, Nickerson & Judd (1943), from memory."""
    from shadematch.colour.standards import munsell_real

    xyz = munsell_real()
    known = (1.21, 3.126, 6.555, 12.0, 19.77, 30.05, 43.06, 59.1, 78.66)
    assert np.unique(np.round(xyz[:, 1], 3)).tolist() == list(known)
    # All hues in equal numbers: the palest of one value lie around the white of illuminant C
    # (x 0.3101, y 0.3162; CIE 15).
    sums = xyz.sum(axis=1)
    place = np.column_stack([xyz[:, 0] / sums, xyz[:, 1] / sums]) - (0.3101, 0.3162)
    pale = place[np.argsort(np.linalg.norm(place, axis=1))[:100]]
    assert np.abs(pale.mean(axis=0)).max() < 0.005


def test_another_thickness_is_another_gamut() -> None:
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    thick = found.at(thickness_cm=4.0)
    assert thick.pour.thickness_cm == 4.0 and thick.palette == found.palette
    pale = sm.predict({"rosehip": 0.02}, pour=sm.Pour(batch_g=100)).lab
    assert found.contains(sm.Target(pale))
    # Four times as thick the base itself is darker than that.
    assert not thick.contains(sm.Target(sm.predict({}, pour=sm.Pour(batch_g=100)).lab))


# What it says.


def test_gamuts_of_one_question_are_equal() -> None:
    palette = sm.demo_palette()
    one = sm.gamut(palette=palette, pour=sm.Pour(batch_g=100))
    assert (
        one == sm.gamut(pour=sm.Pour(batch_g=100)) == one.at()
        and len({one, sm.gamut(pour=sm.Pour(batch_g=100))}) == 1
    )
    for other in (
        sm.gamut(palette=palette.without("dusk"), pour=sm.Pour(batch_g=100)),
        one.at(white=0.1),
        sm.gamut(view=sm.View(backing="black"), pour=sm.Pour(batch_g=100)),
        sm.gamut(max_pigments=2, pour=sm.Pour(batch_g=100)),
    ):
        assert one != other


def test_results_read_and_draw_themselves() -> None:
    demo = sm.demo_palette()
    nasty = demo.pigments[0].model_copy(update={"name": "<script>alert(1)</script>"})
    palette = demo.model_copy(update={"pigments": (nasty, *demo.pigments[1:])})
    found = sm.gamut(palette=palette, pour=sm.Pour(batch_g=100))
    for result in (
        found,
        found.nearest("#d9822b"),
        found.nearest("#00ffff"),
        found.coverage(["#d9822b"]),
    ):
        page = result._repr_html_()
        assert "<script" not in page
        assert str(result).split("\n")[0].split("  ")[-1] in html.unescape(page)
    assert "&lt;script&gt;" in found._repr_html_()
    assert found.nearest("#d9822b").sentence == "#d9822b can be made"
    assert "none is below" in str(found.nearest("#00ffff"))
    assert "lightness 60" in str(found.slice(lightness=60, step=20))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda g: g.contains("#d9822b", within=-1), "within"),
        (lambda g: g.contains("#d9822b", within=float("nan")), "within"),
        (lambda g: g.contains("#d9822b", within="1"), "within"),
        (lambda g: g.contains(3), "target"),
        (lambda g: g.nearest("orange"), "hex"),
        (lambda g: g.coverage([]), "targets"),
        (lambda g: g.coverage("pastels"), "targets"),
        (lambda g: g.coverage(3), "targets"),
        (lambda g: g.coverage(np.array([1.0, 2.0, 3.0])), "targets"),
        (lambda g: g.coverage(np.array([[1.0, 2.0, np.nan]])), "targets"),
        (lambda g: g.distances(np.array([[50.0, 0.0, 0.0], [1e155, 0.0, 0.0]])), "targets"),
        (lambda g: g.slice(), "slice"),
        (lambda g: g.slice(lightness=50, hue=20), "slice"),
        (lambda g: g.slice(lightness=101), "lightness"),
        (lambda g: g.slice(hue=float("nan")), "hue"),
        (lambda g: g.slice(lightness=50, step=0), "step"),
        (lambda g: g.whole(lightness=50, batches_g=(0,)), "batch_g"),
        (lambda g: g.at(colour=1), "colour"),
    ],
)
def test_bad_questions_are_refused(call: object, words: str) -> None:
    with pytest.raises(sm.ShadematchError, match=words):
        call(sm.gamut(pour=sm.Pour(batch_g=100)))  # type: ignore[operator]


@pytest.mark.parametrize("within", [0.0, 0.1])
def test_a_colour_that_the_first_search_missed(
    within: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """False must be proved: where no floor says so, it is looked for once more."""
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    inside = sm.Target.from_lab(sm.predict({"gorse": 1, "dusk": 1}, pour=sm.Pour(batch_g=100)).lab)
    missed = found._found(np.array([20.0, 0.0, 0.0]))[0], 5.0
    monkeypatch.setattr(Gamut, "_found", lambda *_: missed)
    assert found.contains(inside, within=within)
    assert not found.contains("#00ffff", within=within)


def test_bad_conditions_are_refused() -> None:
    with pytest.raises(sm.PourError, match="max_pigments"):
        sm.gamut(max_pigments=0, pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.PourError, match="palette"):
        sm.gamut(palette="demo", pour=sm.Pour(batch_g=100))  # type: ignore[arg-type]


# The command line.
