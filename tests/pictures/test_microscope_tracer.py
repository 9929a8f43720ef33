"""The ray tracer against Snell, Fresnel and the textbook prism; closed forms are worked out here."""

import math

import numpy as np
import pytest

from icewright.pictures import tracing
from icewright.pictures.microscope_body import Body, lying, prism
from icewright.pictures.microscope_optics import Light, brightness, overlap, sphere, table

N = 1.31
ALL_LIGHT = np.ones((1, 3, 3))


def _trace(body, origin, direction, *, index=N, light=ALL_LIGHT, floor=1e-4, deepest=12):
    mesh = tracing.shelves(body.vertices_um, body.triangles)
    o, d = (np.atleast_2d(np.asarray(a, dtype=np.float64)).copy() for a in (origin, direction))
    return tracing.trace(o, d, *mesh, index, light, floor, deepest)


def _wedge(apex_deg, tall=40.0):
    """A wedge with a level top; its lower face falls by the apex angle towards +x."""
    z = 200.0 * math.tan(math.radians(apex_deg))
    v = np.array(
        [[0, y, s] for y in (-tall, tall) for s in (0.0,)]
        + [[200, y, s] for y in (-tall, tall) for s in (0, -z)]
    )
    # corners: 0, 1 the apex; 2, 3 top and bottom at y < 0; 4, 5 at y > 0
    t = np.array([[0, 2, 4], [0, 4, 1], [0, 1, 5], [0, 5, 3], [0, 3, 2], [1, 4, 5], [2, 3, 5], [2, 5, 4]])
    return Body(v.astype(float), t, np.eye(3))


def _turned_by(direction):
    return math.degrees(math.atan2(direction[0], -direction[2]))


@pytest.mark.parametrize("apex_deg", [1.0, 3.0, 10.0, 25.0, 40.0, 48.0])
def test_a_wedge_turns_a_ray_as_snell_says(apex_deg):
    # Level top: no turn. Lower face at the apex angle A: sin(out) = n sin(A), so the ray turns by out - A.
    _, met, ways, _ = _trace(_wedge(apex_deg), [100.0, 0.3, 5.0], [0, 0, -1.0])
    a = math.radians(apex_deg)
    expected = math.degrees(math.asin(N * math.sin(a)) - a)
    assert met[0]
    assert _turned_by(ways[0, :3]) == pytest.approx(expected, abs=1e-9)  # towards the thick side, +x
    if apex_deg <= 3.0:  # the thin prism of every textbook: (n - 1) A
        assert expected == pytest.approx((N - 1) * apex_deg, rel=3e-3)


def test_a_wedge_beyond_the_critical_angle_lets_nothing_through_straight():
    # asin(1 / 1.31) = 49.76 degrees. Two surfaces allowed: what is thrown back inside at the second is lost.
    _, _, just, _ = _trace(_wedge(49.5), [100.0, 0.3, 5.0], [0, 0, -1.0], deepest=2)
    _, _, over, lost = _trace(_wedge(50.0), [100.0, 0.3, 5.0], [0, 0, -1.0], deepest=2)
    assert _turned_by(just[0, :3]) > 30.0 and just[0, 3] > 0.4
    assert lost[0] == pytest.approx(1 - ((N - 1) / (N + 1)) ** 2)
    assert over[0, 2] > 0  # only the upper face's reflection, which goes up


def test_alternate_prism_facets_turn_light_least_by_the_angle_of_the_small_halo():
    # Facets 60 degrees apart: sin((60 + D) / 2) = n sin(30), D = 21.84 degrees; incidence (60 + D) / 2.
    least = 2.0 * math.degrees(math.asin(N * 0.5)) - 60.0
    assert least == pytest.approx(21.84, abs=0.01)  # textbook value for 1.31
    # Seen along c, which lies along y, facets of 60 degrees to each other stand at every second place.
    body = prism(50.0, 400.0, lying(side=True, orientation_deg=90.0, roll_deg=30.0), bevel_um=0.0)
    facets = body.vertices_um[body.triangles]
    normal = np.cross(facets[:, 1] - facets[:, 0], facets[:, 2] - facets[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    turns = []
    for angle in np.radians(np.linspace(-30.0, 30.0, 121)):
        d = np.array([math.sin(angle), 0.0, -math.cos(angle)])
        for k in np.flatnonzero((np.abs(normal[:, 1]) < 1e-6) & (normal @ d < -0.2)):
            aim = facets[k].mean(axis=0)
            _, _, ways, _ = _trace(body, aim - 300.0 * d, d, floor=0.3)
            if ways[0, 3] > 0.5:
                turns.append(math.degrees(math.acos(np.clip(ways[0, :3] @ d, -1, 1))))
    turns = np.array(turns)
    turned = turns[turns > 1.0]
    assert turned.min() == pytest.approx(least, abs=0.01)
    assert (turned >= least - 1e-6).all()  # nothing is turned by less, except straight through


@pytest.mark.parametrize("degrees", [0.0, 20.0, 45.0, 56.0, 75.0, 89.0])
@pytest.mark.parametrize("inside", [False, True])
def test_fresnel_against_the_form_in_angles(degrees, inside):
    # Fresnel's equations in angles (any textbook): rs = sin(i-t)/sin(i+t), rp = tan(i-t)/tan(i+t).
    i = math.radians(degrees)
    eta = N if inside else 1.0 / N
    share, cosine = tracing.fresnel(math.cos(i), eta)
    if eta * math.sin(i) >= 1.0:
        assert (share, cosine) == (1.0, 0.0)
        return
    t = math.asin(eta * math.sin(i))
    if i == 0.0:
        expected = ((N - 1) / (N + 1)) ** 2
        assert expected == pytest.approx(0.0180, abs=5e-5)
    else:
        rs, rp = math.sin(i - t) / math.sin(i + t), math.tan(i - t) / math.tan(i + t)
        expected = 0.5 * (rs**2 + rp**2)
    assert share == pytest.approx(expected, rel=1e-9)
    assert cosine == pytest.approx(math.cos(t), rel=1e-12)


def test_a_plate_loses_what_its_two_faces_throw_back():
    # All light that goes down after any number of reflections between two faces: (1 - R) / (1 + R).
    r = ((N - 1) / (N + 1)) ** 2
    light, _, ways, lost = _trace(prism(50.0, 10.0), [3.0, 4.0, 20.0], [0, 0, -1.0], floor=1e-12, deepest=40)
    assert light[0, 0] == pytest.approx((1 - r) / (1 + r), rel=1e-9)
    assert ways[0, 3] == pytest.approx((1 - r) ** 2, rel=1e-12)
    assert lost[0] < 1e-9


def test_light_is_neither_made_nor_lost():
    # With the same light from everywhere a clear body is invisible (a closed furnace looks even throughout);
    # light from above is not in the table, so what goes up is counted by sending each ray's mirror image too.
    body = prism(40.0, 60.0, lying(tilt_deg=17.0, orientation_deg=11.0, tilt_towards_deg=40.0))
    rng = np.random.default_rng(5)
    x, y = rng.uniform(-45, 45, (2, 300))
    o = np.column_stack([x, y, np.full(x.size, 90.0)])
    down = np.tile([0.0, 0.0, -1.0], (x.size, 1))
    both = []
    for flip in (1.0, -1.0):
        # The mirrored body under mirrored rays from below sends down what the first sends up, and back.
        v = body.vertices_um * np.array([1.0, 1.0, flip])
        t = body.triangles if flip > 0 else body.triangles[:, ::-1]
        mesh = tracing.shelves(v, np.ascontiguousarray(t))
        ray_o, ray_d = o * np.array([1, 1, flip]), down * np.array([1, 1, flip])
        light, _, _, lost = tracing.trace(ray_o.copy(), ray_d.copy(), *mesh, N, ALL_LIGHT, 1e-4, 60)
        both.append(light[:, 0])
    assert both[0] + both[1] + lost == pytest.approx(1.0, abs=1e-9)
    assert lost.max() < 0.05


def test_triangles_are_found_wherever_they_lie():
    # Brute force over all triangles, by the plane equation and three half-planes, as the other way to do it.
    from icewright.pictures.microscope_body import body
    from icewright.shape import specimens

    star = body(specimens.star(40e-6, 8e-6, 2e-6), lying(tilt_deg=30.0, orientation_deg=13.0))
    frame, start, item, height, first, e1, e2, normal = tracing.shelves(star.vertices_um, star.triangles)
    rng = np.random.default_rng(2)
    hits = 0
    for _ in range(400):
        o = rng.uniform(-45, 45, 3)
        d = rng.normal(size=3)
        d /= np.linalg.norm(d)
        far, _ = tracing._nearest(*o, *d, frame, start, item, height, first, e1, e2)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.einsum("ij,ij->i", first - o, normal) / (normal @ d)
        p = o + t[:, None] * d
        a, b, c = first, first + e1, first + e2
        inside = np.isfinite(t) & (t > 1e-7)
        for s, f in ((a, b), (b, c), (c, a)):
            inside &= np.einsum("ij,ij->i", np.cross(f - s, p - s), normal) >= 0
        best = t[inside].min() if inside.any() else math.inf
        assert far == pytest.approx(best, rel=1e-9)
        hits += inside.any()
    assert 30 < hits < 400


def test_overlap_of_discs_against_counting():
    s = np.linspace(-2.0, 2.0, 2001)
    x, y = np.meshgrid(s, s)
    for d, a, b in ((0.0, 1.0, 0.4), (0.5, 1.0, 0.4), (0.7, 1.0, 0.4), (1.2, 0.9, 0.6), (1.6, 0.9, 0.6)):
        counted = ((np.hypot(x, y) < a) & (np.hypot(x - d, y) < b)).sum() * (s[1] - s[0]) ** 2
        assert float(overlap(d, a, b)) == pytest.approx(counted, abs=3e-3)


def test_lights_of_the_open_field():
    def field(name):
        return brightness(Light(name), 0.0, 0.0)

    assert field("bright-field")[0] == pytest.approx(1.0)
    assert field("dark-field")[0] == 0.0
    assert 0.2 < field("oblique")[0] < 0.6
    assert field("two-colour").shape == (3,)
    assert np.argmax(field("two-colour")) == 2  # blue ground
    assert np.argmax(brightness(Light("two-colour"), 0.3, 0.0)) == 0  # warm slopes
    # Light from the left brightens what sends its rays back to the left.
    lamp = Light("oblique", from_deg=180.0)
    assert brightness(lamp, -0.1, 0.0)[0] > brightness(lamp, 0.1, 0.0)[0]


def test_a_droplet_by_formula_and_by_the_tracer():
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=6, radius=10.0)
    body = Body(np.asarray(ball.vertices, float), np.asarray(ball.faces, np.int64), np.eye(3))
    lamp = Light("oblique", objective_na=0.3, condenser_na=0.5, from_deg=30.0)
    x, y = np.meshgrid(np.linspace(-0.8, 0.8, 21), np.linspace(-0.8, 0.8, 21))
    x, y = x[np.hypot(x, y) < 0.85], y[np.hypot(x, y) < 0.85]
    o = np.column_stack([10 * x + 1e-4, 10 * y + 2e-4, np.full(x.size, 20.0)])
    d = np.tile([0.0, 0.0, -1.0], (x.size, 1))
    light, _, _, _ = _trace(body, o, d, index=1.333, light=table(lamp), floor=0.1)
    # Flat triangles of 1.2 degrees stand in for the ball.
    assert np.abs(light[:, 0] - sphere(lamp, x, y)[0]).max() < 0.05
    assert np.abs(light[:, 0] - sphere(lamp, x, y)[0]).mean() < 0.01
