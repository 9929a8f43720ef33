"""Our ray tracer against an independent path tracer, where one is installed (`pip install mitsuba`)."""

import numpy as np
import pytest

from icewright.pictures import tracing
from icewright.pictures.microscope_body import body, lying, prism
from icewright.pictures.microscope_optics import Light, brightness, table
from icewright.shape import specimens

mitsuba = pytest.importorskip(
    "mitsuba",
    reason="the independent path tracer is not installed: pip install mitsuba",
    exc_type=ImportError,
)
W, H, HALF_X, HALF_Y = 56, 40, 42.0, 30.0
SAMPLES = 512


def _light_all_round(lamp):
    """The lamp as a picture of all directions: columns run about y, rows from +y to -y (its own layout)."""
    u = (np.arange(2048) + 0.5) / 2048 * 2 * np.pi
    v = (np.arange(1024) + 0.5) / 1024 * np.pi
    x = np.sin(v)[:, None] * np.sin(u)[None, :]
    y = np.cos(v)[:, None] + 0 * u[None, :]
    z = -np.sin(v)[:, None] * np.cos(u)[None, :]
    value = np.where(z < 0, brightness(lamp, x, y)[0], 0.0)
    return np.repeat(value[..., None], 3, axis=2).astype(np.float32)


def _theirs(crystal, lamp):
    mi = mitsuba
    mi.set_variant("scalar_rgb")
    shape = mi.Mesh("crystal", len(crystal.vertices_um), len(crystal.triangles))
    held = mi.traverse(shape)
    held["vertex_positions"] = np.ascontiguousarray(crystal.vertices_um, np.float32).ravel()
    held["faces"] = np.ascontiguousarray(crystal.triangles, np.uint32).ravel()
    held.update()
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "crystal.ply")
        shape.write_ply(path)
        look = mi.ScalarTransform4f().look_at([0, 0, 200], [0, 0, 0], [0, 1, 0])
        scene = mi.load_dict(
            {
                "type": "scene",
                "integrator": {"type": "path", "max_depth": 24, "rr_depth": 100},
                "light": {"type": "envmap", "bitmap": mi.Bitmap(_light_all_round(lamp))},
                "sensor": {
                    "type": "orthographic",
                    "near_clip": 1.0,
                    "far_clip": 1000.0,
                    "to_world": look @ mi.ScalarTransform4f().scale([HALF_X, HALF_X, 1]),
                    "film": {
                        "type": "hdrfilm",
                        "width": W,
                        "height": H,
                        "rfilter": {"type": "box"},
                        "pixel_format": "luminance",
                    },
                    "sampler": {"type": "independent", "sample_count": SAMPLES},
                },
                "crystal": {
                    "type": "ply",
                    "filename": path,
                    "face_normals": True,
                    "bsdf": {"type": "dielectric", "int_ior": 1.31, "ext_ior": 1.0},
                },
            }
        )
        return np.asarray(mi.render(scene, seed=3))[..., 0]


def _ours(crystal, lamp):
    mesh = tracing.shelves(crystal.vertices_um, crystal.triangles)
    s = 6
    x = ((np.arange(W * s) + 0.5) / (W * s) * 2 - 1) * HALF_X
    y = (1 - (np.arange(H * s) + 0.5) / (H * s) * 2) * HALF_Y
    x, y = np.meshgrid(x, y)
    o = np.column_stack([x.ravel() + 1e-5, y.ravel() + 2e-5, np.full(x.size, 200.0)])
    d = np.tile([0.0, 0.0, -1.0], (x.size, 1))
    light, _, _, _ = tracing.trace(o, d, *mesh, 1.31, table(lamp), 1e-3, 24)
    return light[:, 0].reshape(H, s, W, s).mean(axis=(1, 3))


@pytest.mark.parametrize(
    "name, crystal",
    [
        ("plate", lambda: prism(26.0, 12.0, lying(orientation_deg=17.0, tilt_deg=8.0), bevel_um=4.0)),
        ("column", lambda: prism(14.0, 50.0, lying(orientation_deg=25.0, side=True, roll_deg=12.0))),
        (
            "star",
            lambda: body(specimens.star(27e-6, 8e-6, 0.8e-6, branches=(0.4, 0.6)), lying(orientation_deg=10)),
        ),
    ],
)
def test_the_same_picture_as_an_independent_path_tracer(name, crystal):
    lamp = Light("oblique", objective_na=0.3, condenser_na=0.6, from_deg=60.0)
    one = crystal()
    ours, theirs = _ours(one, lamp), _theirs(one, lamp)
    assert ours.std() > 0.05  # there is something to see
    # Their pixels carry the noise of 512 samples, up to 0.022 where half the light is thrown back; and their
    # rays sit elsewhere in a pixel than ours, which matters on edges.
    off = np.abs(ours - theirs)
    assert off.mean() < 0.012, (name, off.mean())
    assert abs(float(ours.mean() - theirs.mean())) < 0.004
    assert np.corrcoef(ours.ravel(), theirs.ravel())[0, 1] > 0.985
