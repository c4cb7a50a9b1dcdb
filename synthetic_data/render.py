"""A stage through Mitsuba: a linear picture, and what the first ray of every pixel hit.

Mitsuba is imported when a ``Renderer`` is made, never before. The scene's structure is the same for every stage
(one merged mesh, one table, surroundings, a flash, a lamp), so the compiled kernels are used again.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from updraft_key.model.errors import MissingExtra

from .mesh import Floats, Ints
from .scene import Pose, Stage

LLVM = ("/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1", "/usr/lib/llvm-19/lib/libLLVM.so.19.1")
"""Where Debian's libllvm19 lies. Versions 14-16 abort inside drjit (tried)."""
BRIGHTEST = 60.0
"""A single sample's radiance is cut here (surroundings average 1): fewer fireflies at low sample counts."""
SUN_CUT = 400.0


@dataclass(frozen=True, slots=True)
class Passes:
    """What comes out of the renderer for one shot.

    Attributes:
        linear: (h, w, 3) float32 radiance, surroundings about 1.
        behind: (h, w) float32, share of each pixel that shows nothing but what is behind everything.
        owner: (h, w) int32, index into ``Stage.names``; -1 for table and background.
        point: (h, w, 3) float32, world position that the pixel's centre ray hits (NaN where nothing).
    """

    linear: Floats
    behind: Floats
    owner: Ints
    point: Floats


def find_llvm() -> None:
    """Point drjit to a libLLVM that works, unless DRJIT_LIBLLVM_PATH is set already."""
    for path in LLVM:
        if Path(path).exists():
            os.environ.setdefault("DRJIT_LIBLLVM_PATH", path)
            return


class Renderer:
    """Renders stages at one size and sample count.

    Args:
        size: side of the square picture in pixels.
        samples: paths a pixel.
        variant: Mitsuba variant; None tries ``cuda_ad_rgb``, then ``llvm_ad_rgb``.
        bounces: longest path.

    Raises:
        MissingExtra: Mitsuba is not installed, or no variant starts.
    """

    def __init__(self, size: int = 448, samples: int = 32, variant: str | None = None, bounces: int = 6) -> None:
        find_llvm()
        try:
            import drjit
            import mitsuba
        except ImportError as error:
            raise MissingExtra("rendering", "render") from error
        self.size, self.samples = size, samples
        self.variant = _start(mitsuba, variant)
        self._mi: Any = mitsuba
        self._dr: Any = drjit
        self._integrator = mitsuba.load_dict({"type": "path", "max_depth": bounces, "rr_depth": 4})
        self._stage: Stage | None = None
        self._scene: Any = None
        self._params: Any = None
        self._subject: Any = None

    def load(self, stage: Stage) -> None:
        """Hand a stage to Mitsuba; ``shoot`` then renders it from any pose."""
        mi = self._mi
        light = stage.spec.light
        strength = light.strength if stage.spec.light_on else 1.0
        tint = np.array(light.tint if stage.spec.light_on else (1.0, 1.0, 1.0), np.float32)
        around = _evened(stage.surroundings) * strength * tint
        lamp = light.lamp if stage.spec.light_on else 0.0
        at = np.array(light.lamp_at)
        if stage.ground is not None:
            at = np.array([at[0], abs(at[1]) + 0.15, at[2]])
        at = at / np.linalg.norm(at) * light.lamp_distance
        side = 0.12 * light.lamp_distance
        radiance = lamp * np.pi * light.lamp_distance**2 / (4.0 * side**2)
        frame = mi.ScalarTransform4f
        self._subject = _mesh(mi, "things", stage.joined.vertices, stage.joined.faces, stage.joined.normals, _SURFACE)
        for name, width, values in (
            ("vertex_colour", 3, stage.joined.colour),
            ("vertex_roughness", 1, stage.joined.roughness),
            ("vertex_metallic", 1, stage.joined.metallic),
        ):
            self._subject.add_attribute(name, width, np.ascontiguousarray(values, np.float32).ravel())
        self._scene = mi.load_dict(
            {
                "type": "scene",
                "things": self._subject,
                "table": _table(mi, stage),
                "around": {
                    "type": "envmap",
                    "bitmap": mi.Bitmap(np.ascontiguousarray(around, np.float32)),
                    "to_world": frame().rotate([0, 1, 0], light.turn),
                    "sampling_weight": 1.0,
                },
                "flash": {
                    "type": "point",
                    "position": [0.0, 0.0, 0.0],
                    "intensity": {"type": "rgb", "value": 0.0},
                    "sampling_weight": 0.6 if light.flash > 0 and stage.spec.light_on else 0.02,
                },
                "lamp": {
                    "type": "rectangle",
                    "to_world": frame().look_at(list(at), [0.0, 0.0, 0.0], _across(at)).scale([side, side, 1.0]),
                    "emitter": {
                        "type": "area",
                        "radiance": {"type": "rgb", "value": [float(radiance * c) for c in light.lamp_colour]},
                        "sampling_weight": 0.6 if lamp > 0 else 0.02,
                    },
                },
            }
        )
        self._params = mi.traverse(self._scene)
        self._stage = stage

    def shoot(self, pose: Pose, seed: int) -> Passes:
        """Render the loaded stage from ``pose``.

        Raises:
            RuntimeError: if no stage is loaded.
        """
        if self._stage is None:
            raise RuntimeError("load a stage first")
        mi, dr, n, spp = self._mi, self._dr, self.size, self.samples
        light = self._stage.spec.light
        distance = float(np.linalg.norm(pose.origin))
        power = light.flash * np.pi * distance**2 if self._stage.spec.light_on else 0.0
        beside = pose.origin + 9.0 * pose.up + 6.0 * pose.right
        self._params["flash.position"] = mi.Point3f(*(float(v) for v in beside))
        self._params["flash.intensity.value"] = mi.Color3f(power * 1.0, power * 0.98, power * 0.93)
        self._params.update()
        camera = _Camera(mi, dr, pose, n)

        centre = dr.arange(mi.UInt32, n * n)
        first = self._scene.ray_intersect(camera.rays(centre, mi.Point2f(0.5), None))
        hit = np.array(first.is_valid())
        mine = np.array(first.shape == mi.ShapePtr(self._subject)) & hit
        prim = np.array(first.prim_index)
        point = np.array(first.p).T.astype(np.float32)
        owner = np.where(mine, self._stage.owner[np.where(mine, prim, 0)], -1).astype(np.int32)
        point[~hit] = np.nan

        sampler = mi.load_dict({"type": "independent"})
        sampler.seed(seed, n * n * spp)
        pixel = dr.arange(mi.UInt32, n * n * spp) // spp
        rays = camera.rays(pixel, sampler.next_2d(), sampler.next_2d())
        solid = self._scene.ray_test(rays)
        colour, _, _ = self._integrator.sample(self._scene, sampler, rays)
        keep = mi.Float(1.0 if self._stage.photograph is None else 0.0)
        dr.make_opaque(keep)
        share = dr.select(solid, 1.0, keep)
        channels = [dr.block_sum(dr.clip(dr.select(c == c, c, 0.0), 0.0, BRIGHTEST) * share, spp) / spp for c in colour]
        behind = dr.block_sum(dr.select(solid, mi.Float(0.0), mi.Float(1.0)), spp) / spp
        dr.eval(channels, behind)
        linear = np.stack([np.array(c) for c in channels], axis=1).reshape(n, n, 3)
        return Passes(
            linear=linear.astype(np.float32),
            behind=np.array(behind).reshape(n, n).astype(np.float32),
            owner=owner.reshape(n, n),
            point=point.reshape(n, n, 3),
        )


class _Camera:
    """Rays through pixels; every number opaque to the compiler, so that a new pose is no new kernel."""

    def __init__(self, mi: Any, dr: Any, pose: Pose, size: int) -> None:
        self._mi, self._dr, self._size = mi, dr, size
        vectors = [pose.origin, pose.right, pose.up, pose.forward]
        self._origin, self._right, self._up, self._forward = (mi.Vector3f(*(float(x) for x in v)) for v in vectors)
        self._tan, self._focus, self._aperture = (mi.Float(v) for v in (pose.tan_half, pose.focus, pose.aperture))
        dr.make_opaque(self._origin, self._right, self._up, self._forward, self._tan, self._focus, self._aperture)

    def rays(self, pixel: Any, inside: Any, lens: Any) -> Any:
        mi, n = self._mi, self._size
        x = (mi.Float(pixel % n) + inside.x) * (2.0 / n) - 1.0
        y = 1.0 - (mi.Float(pixel // n) + inside.y) * (2.0 / n)
        along = self._forward + (self._right * x + self._up * y) * self._tan
        origin = mi.Vector3f(self._origin)
        if lens is not None:
            spot = mi.warp.square_to_uniform_disk_concentric(lens) * self._aperture
            offset = self._right * spot.x + self._up * spot.y
            along = along * self._focus - offset
            origin = origin + offset
        return mi.RayDifferential3f(mi.Ray3f(mi.Point3f(origin), self._dr.normalize(along)))


_SURFACE: dict[str, Any] = {
    "type": "twosided",
    "bsdf": {
        "type": "principled",
        "base_color": {"type": "mesh_attribute", "name": "vertex_colour"},
        "roughness": {"type": "mesh_attribute", "name": "vertex_roughness"},
        "metallic": {"type": "mesh_attribute", "name": "vertex_metallic"},
        "specular": 0.5,
    },
}


def _start(mi: Any, variant: str | None) -> str:
    problems: list[str] = []
    for name in (variant,) if variant else ("cuda_ad_rgb", "llvm_ad_rgb"):
        try:
            mi.set_variant(name)
        except ImportError as error:
            problems.append(f"{name}: {str(error).splitlines()[0]}")
            continue
        mi.set_log_level(mi.LogLevel.Error)
        return str(name)
    sys.stderr.write("\n".join(problems) + "\n")
    raise MissingExtra("rendering (no Mitsuba variant starts; a CPU needs Debian's libllvm19)", "render")


def _mesh(
    mi: Any, name: str, vertices: Floats, faces: Ints, normals: Floats, bsdf: dict[str, Any], uv: Floats | None = None
) -> Any:
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh(
        name,
        len(vertices),
        len(faces),
        has_vertex_normals=True,
        has_vertex_texcoords=uv is not None,
        props=properties,
    )
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.ascontiguousarray(vertices, np.float32).ravel()
    params["vertex_normals"] = np.ascontiguousarray(normals, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
    if uv is not None:
        params["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    params.update()
    return mesh


def _table(mi: Any, stage: Stage) -> Any:
    """The table as a rectangle; far below and tiny where the place has none."""
    half, height = (1600.0, stage.ground) if stage.ground is not None else (1.0, -9e4)
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32)
    vertices = np.stack([corner[:, 0] * half, np.full(4, height), -corner[:, 1] * half], axis=1)
    uv = corner * half / stage.table.side_mm + 0.37
    bsdf = {
        "type": "twosided",
        "bsdf": {
            "type": "principled",
            "base_color": {
                "type": "bitmap",
                "bitmap": mi.Bitmap(np.ascontiguousarray(stage.table.pixels)),
                "wrap_mode": "mirror",
            },
            "roughness": stage.table.roughness,
            "metallic": stage.table.metallic,
            "specular": 0.4,
        },
    }
    up = np.tile(np.array([[0, 1, 0]], np.float32), (4, 1))
    faces = np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    return _mesh(mi, "table", vertices.astype(np.float32), faces, up, bsdf, uv.astype(np.float32))


def _evened(picture: Floats) -> Floats:
    """Scale surroundings to a mean radiance of 1 over the sphere, the sun cut."""
    weight = np.cos((np.arange(len(picture)) + 0.5) / len(picture) * np.pi - np.pi / 2.0)[:, None, None]

    def mean(p: NDArray[np.floating]) -> float:
        return float((p * weight).sum() / (weight.sum() * p.shape[1] * 3.0))

    scaled = np.nan_to_num(picture, nan=0.0, posinf=1e4) / max(mean(picture), 1e-6)
    scaled = np.clip(scaled, 0.0, SUN_CUT)
    return (scaled / max(mean(scaled), 1e-6)).astype(np.float32)


def _across(direction: NDArray[np.float64]) -> list[float]:
    """Some direction that is not along ``direction``."""
    return [0.0, 1.0, 0.0] if abs(direction[1]) < 0.8 * np.linalg.norm(direction) else [1.0, 0.0, 0.0]
