"""Scenes as photographs: path-traced pictures of an assembly with a thin-lens camera.

Comes in: parameters from `recipe.draw`. Goes out: a linear picture (H, W, 3) float32,
exposed so that most of it lies in 0..1. Needs `mitsuba` (extra "render"), which is imported only
when something is rendered; no OpenCV. The same seed and variant give the same picture.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.scenes import assembly, world
from tests.scenes.shapes import Mesh

Picture = NDArray[np.float32]


def render(
    spec: dict[str, Any],
    width: int = 1600,
    height: int = 1200,
    samples: int = 96,
    variant: str = "scalar_rgb",
) -> Picture:
    """Path-trace one scene and filter its fireflies.

    Parameters
    ----------
    spec : dict
        From `recipe.draw`.
    width, height : int
        Pixels of the whole frame; `degrade.py` cuts a margin off.
    samples : int
        Paths a pixel.
    variant : str
        A variant of mitsuba: "scalar_rgb" needs nothing; "llvm_ad_rgb", "cuda_ad_rgb" are faster.
    """
    import mitsuba as mi

    if mi.variant() != variant:
        mi.set_variant(variant)
    scene = assembly.assemble(spec, width, height)
    with tempfile.TemporaryDirectory() as folder:
        described = describe(scene, Path(folder), samples)
        loaded = mi.load_dict(described)
        picture = np.array(mi.render(loaded, seed=spec["seed"] % (1 << 31), spp=samples))
    return exposed(picture)


def exposed(picture: Picture) -> Picture:
    """What the path tracer gives, without fireflies, as bright as a camera would have it."""
    linear = np.nan_to_num(np.maximum(picture[..., :3], 0)).astype(np.float32)
    linear = without_fireflies(without_fireflies(linear))
    return (linear * exposure(linear)).astype(np.float32)


def looking(view: world.View) -> Any:
    """A camera's place and direction as the renderer takes them."""
    import mitsuba as mi

    at = view.position
    return mi.ScalarTransform4f().look_at(
        origin=list(at), target=list(at + view.forward), up=list(view.up)
    )


def field_deg(view: world.View, half: float) -> float:
    """Angle seen by so many pixels on either side of a view's middle."""
    return float(2 * np.degrees(np.arctan(half / view.focal_px)))


def render_views(
    spec: dict[str, Any],
    scene: assembly.Assembly,
    views: Sequence[tuple[world.View, float, float]],
    half: tuple[int, int],
    samples: int,
    variant: str,
) -> list[Picture]:
    """Path-trace the middle of several views of one scene.

    The renderer's program is compiled once: size and seed stay, and what differs between cameras
    is kept from being taken for constants.

    Parameters
    ----------
    spec : dict
    scene : Assembly
        Of ``spec``.
    views : sequence of (View, aperture_mm, focus_mm)
    half : (int, int)
        Pixels right and left of each view's middle, and above and below it, that are rendered.
    samples : int
    variant : str
    """
    import drjit as dr
    import mitsuba as mi

    if mi.variant() != variant:
        mi.set_variant(variant)
    pictures = []
    with tempfile.TemporaryDirectory() as folder:
        described = describe(scene, Path(folder), samples)
        described["sensor"]["film"] |= {"width": 2 * half[0], "height": 2 * half[1]}
        loaded = mi.load_dict(described)
        sensor = loaded.sensors()[0]
        for view, aperture_mm, focus_mm in views:
            told = {
                "to_world": looking(view),
                "x_fov": field_deg(view, half[0]),
                "aperture_radius": aperture_mm,
                "focus_distance": focus_mm,
            }
            parameters = mi.traverse(sensor)
            for name, value in told.items():
                parameters[name] = value
            parameters.update()
            if not variant.startswith("scalar"):
                dr.make_opaque(*[parameters[name] for name in told])
            seed = spec["seed"] % (1 << 31)
            picture = np.array(mi.render(loaded, sensor=sensor, seed=seed, spp=samples))
            pictures.append(exposed(picture))
    return pictures


def describe(scene: assembly.Assembly, folder: Path, samples: int) -> dict[str, Any]:
    """The scene in the renderer's own dictionary form; meshes go to `folder`."""
    view = scene.view
    assert view is not None
    out: dict[str, Any] = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": 14, "rr_depth": 9},
        "sensor": {
            "type": "thinlens",
            "to_world": looking(view),
            "fov": field_deg(view, view.width / 2),
            "fov_axis": "x",
            "aperture_radius": scene.aperture_mm,
            "focus_distance": scene.focus_mm,
            "near_clip": 0.5,
            "far_clip": 5000.0,
            "film": {
                "type": "hdrfilm", "width": view.width, "height": view.height,
                "rfilter": {"type": "gaussian"}, "pixel_format": "rgb",
                "component_format": "float32",
            },
            "sampler": {"type": "independent", "sample_count": samples},
        },
        "sky": {"type": "constant", "radiance": assembly.rgb(*scene.sky)},
    }  # fmt: skip
    for i, (name, mesh, material) in enumerate(scene.parts):
        out[f"part {i:03d} {name}"] = _shape(folder, i, mesh) | {"bsdf": material}
    for i, (name, mesh, radiance) in enumerate(scene.lamps):
        emitter = {"type": "area", "radiance": assembly.rgb(*radiance)}
        out[f"lamp {i:03d} {name}"] = _shape(folder, 1000 + i, mesh) | {"emitter": emitter}
    return {key.replace(" ", "_").replace(".", "_"): value for key, value in out.items()}


def _shape(folder: Path, number: int, mesh: Mesh) -> dict[str, Any]:
    path = folder / f"{number}.ply"
    write_ply(path, mesh)
    return {"type": "ply", "filename": str(path), "face_normals": not mesh.smooth}


def write_ply(path: Path, mesh: Mesh) -> None:
    """Binary little-endian PLY."""
    head = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(mesh.vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(mesh.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(mesh.faces), dtype=[("n", "u1"), ("v", "<i4", 3)])
    faces["n"], faces["v"] = 3, mesh.faces
    path.write_bytes(head.encode() + mesh.vertices.astype("<f4").tobytes() + faces.tobytes())


def without_fireflies(linear: Picture) -> Picture:
    """Replace pixels far above the median of their 3 x 3 neighbourhood.

    Single bright pixels of a path tracer are sampling noise of the method, not of a sensor.
    """
    padded = np.pad(linear, ((1, 1), (1, 1), (0, 0)), mode="edge")
    h, w = linear.shape[:2]
    middle = median_of_nine([padded[i : i + h, j : j + w] for i in range(3) for j in range(3)])
    wild = linear.max(-1) > 2.0 * middle.max(-1) + 0.25 * float(np.median(linear)) + 1e-3
    return np.where(wild[..., None], middle, linear).astype(np.float32)


def median_of_nine(values: list[Picture]) -> Picture:
    """Element-wise median of nine pictures by 19 exchanges (Paeth, Graphics Gems, 1990)."""
    v = [np.array(x) for x in values]
    for a, b in ((1, 2), (4, 5), (7, 8), (0, 1), (3, 4), (6, 7), (1, 2), (4, 5), (7, 8), (0, 3),
                 (5, 8), (4, 7), (3, 6), (1, 4), (2, 5), (4, 7), (4, 2), (6, 4),
                 (4, 2)):  # fmt: skip
        low = np.minimum(v[a], v[b])
        v[b] = np.maximum(v[a], v[b])
        v[a] = low
    return v[4]


def exposure(linear: Picture) -> float:
    """Factor that brings the brighter part of the picture just under white."""
    luma = linear @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
    return float(0.82 / max(float(np.percentile(luma, 96)), 1e-4))
