"""A stage through Mitsuba: a linear picture, and what the first ray of every pixel hit.

Mitsuba is imported when a ``Renderer`` is made, never before. The scene's structure is the same for every stage
(one merged mesh, one table, surroundings, a flash, a lamp), so the compiled kernels are used again.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from updraft_key.model.errors import MissingExtra

from .camera import to_linear
from .mesh import Floats, Ints
from .scene import Pose, Stage
from .smooth import LEAST_COLOUR, Guides, smooth

LLVM = ("/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1", "/usr/lib/llvm-19/lib/libLLVM.so.19.1")
"""Where Debian's libllvm19 lies. Versions 14-16 abort inside drjit (tried)."""
THREADS = "UPDRAFT_KEY_RENDER_THREADS"
"""Environment variable: threads of a renderer on a CPU; all cores if not set."""
BRIGHTEST = 60.0
"""A single sample's radiance is cut here (surroundings average 1): fewer fireflies at low sample counts."""
SUN_CUT = 400.0
FLASH_COLOUR = (1.0, 0.98, 0.93)
AROUND_PX, TABLE_PX = 256, 768
_SCHED_BLOCKING_SYNC = 0x04
"""``CU_CTX_SCHED_BLOCKING_SYNC`` of the CUDA driver's interface."""


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
        if os.environ.get(THREADS, "").isdigit():
            drjit.set_thread_count(int(os.environ[THREADS]))
        self._integrator = mitsuba.load_dict({"type": "path", "max_depth": bounces, "rr_depth": 4})
        self._stage: Stage | None = None
        self._scene: Any = None
        self._params: Any = None
        self._subject: Any = None
        self._lamp: Any = None

    def _number(self, value: float) -> Any:
        """A number that the compiler may not build into a kernel: another value is then no other kernel."""
        out = self._mi.Float(float(value))
        self._dr.make_opaque(out)
        return out

    def load(self, stage: Stage) -> None:
        """Hand a stage to Mitsuba; ``shoot`` then renders it from any pose.

        The scene object is made once and then filled anew: a new one would be compiled again (3 s a scene).
        """
        if self._scene is None:
            self._scene = self._made()
            self._params = self._mi.traverse(self._scene)
        self._fill(stage)
        self._stage = stage

    def _made(self) -> Any:
        """The scene's fixed structure, empty."""
        mi = self._mi
        one = np.array([[0, 0, 0], [1, 0, 0], [0, 0, 1]], np.float32)
        up = np.tile(np.array([[0, 1, 0]], np.float32), (3, 1))
        self._subject = _mesh(mi, "things", one, np.array([[0, 2, 1]], np.int32), up, _SURFACE)
        for name, width in (("vertex_colour", 3), ("vertex_roughness", 1), ("vertex_metallic", 1)):
            self._subject.add_attribute(name, width, np.zeros(3 * width, np.float32))
        self._lamp = _mesh(
            mi,
            "lamp",
            _QUAD,
            _QUAD_FACES,
            np.tile(np.array([[0, 0, 1]], np.float32), (4, 1)),
            {"type": "diffuse"},
            emitter={"type": "area", "radiance": {"type": "rgb", "value": 0.0}, "sampling_weight": 0.5},
        )
        return mi.load_dict(
            {
                "type": "scene",
                "things": self._subject,
                "lamp": self._lamp,
                "table": _table(mi),
                "around": {
                    "type": "envmap",
                    "bitmap": mi.Bitmap(np.ones((AROUND_PX, 2 * AROUND_PX, 3), np.float32)),
                    "sampling_weight": 1.0,
                },
                "flash": {
                    "type": "point",
                    "position": [0.0, 0.0, 0.0],
                    "intensity": {"type": "rgb", "value": 0.0},
                    "sampling_weight": 0.5,
                },
            }
        )

    def _fill(self, stage: Stage) -> None:
        """Put a stage's geometry, surfaces and light into the scene."""
        mi, p = self._mi, self._params
        light, lit = stage.spec.light, stage.spec.light_on
        around = _evened(_sized(stage.surroundings)) * (light.strength if lit else 1.0)
        around = around * np.array(light.tint if lit else (1.0, 1.0, 1.0), np.float32)
        lamp = light.lamp if lit else 0.0
        at = np.array(light.lamp_at)
        if stage.ground is not None:
            at = np.array([at[0], abs(at[1]) + 0.15, at[2]])
        at = at / np.linalg.norm(at) * light.lamp_distance
        side = 0.12 * light.lamp_distance
        radiance = lamp * np.pi * light.lamp_distance**2 / (4.0 * side**2)
        frame = mi.ScalarTransform4f
        mesh = stage.joined
        for name, values in (
            ("vertex_positions", mesh.vertices),
            ("vertex_normals", mesh.normals),
            ("vertex_colour", mesh.colour),
            ("vertex_roughness", mesh.roughness),
            ("vertex_metallic", mesh.metallic),
        ):
            p[f"things.{name}"] = mi.Float(np.ascontiguousarray(values, np.float32).ravel())
        p["things.faces"] = mi.UInt32(np.ascontiguousarray(mesh.faces, np.uint32).ravel())
        half, height = (1600.0, stage.ground) if stage.ground is not None else (1.0, -9e4)
        corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32)
        p["table.vertex_positions"] = mi.Float(
            np.stack([corner[:, 0] * half, np.full(4, height), -corner[:, 1] * half], axis=1).ravel()
        )
        p["table.vertex_texcoords"] = mi.Float((corner * half / stage.table.side_mm + 0.37).ravel())
        top = cv2.resize(stage.table.pixels, (TABLE_PX, TABLE_PX), interpolation=cv2.INTER_AREA)
        p["table.bsdf.brdf_0.base_color.data"] = mi.TensorXf(to_linear(np.ascontiguousarray(top)))
        p["table.bsdf.brdf_0.roughness.value"] = self._number(stage.table.roughness)
        p["table.bsdf.brdf_0.metallic.value"] = self._number(stage.table.metallic)
        p["around.data"] = mi.TensorXf(np.concatenate([around, around[:, :1]], axis=1))
        p["around.to_world"] = mi.AffineTransform4f(frame().rotate([0, 1, 0], light.turn).matrix)
        corners, toward = _facing_quad(at, side)
        p["lamp.vertex_positions"] = mi.Float(corners.ravel())
        p["lamp.vertex_normals"] = mi.Float(np.tile(toward, 4))
        p["lamp.emitter.radiance.value"] = mi.Color3f(*(self._number(radiance * c) for c in light.lamp_colour))
        p["lamp.emitter.sampling_weight"] = 0.6 if lamp > 0 else 0.02
        p["flash.sampling_weight"] = 0.6 if light.flash > 0 and lit else 0.02
        p.update()

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
        self._params["flash.position"] = mi.Point3f(*(self._number(v) for v in beside))
        self._params["flash.intensity.value"] = mi.Color3f(*(self._number(power * c) for c in FLASH_COLOUR))
        self._params.update()
        camera = _Camera(mi, dr, pose, n)

        centre = dr.arange(mi.UInt32, n * n)
        first = self._scene.ray_intersect(self._past_lamp(camera.rays(centre, mi.Point2f(0.5), None)))
        hit = np.array(first.is_valid())
        mine = np.array(first.shape == mi.ShapePtr(self._subject)) & hit
        prim = np.array(first.prim_index)
        point = np.array(first.p).T.astype(np.float32)
        owner = np.where(mine, self._stage.owner[np.where(mine, prim, 0)], -1).astype(np.int32)
        point[~hit] = np.nan

        sampler = mi.load_dict({"type": "independent"})
        sampler.seed(seed, n * n * spp)
        number = dr.arange(mi.UInt32, n * n * spp)
        rays = camera.rays(number // spp, self._spread(sampler, number), self._spread(sampler, number))
        rays = self._past_lamp(rays)

        def mean(values: Any) -> Any:
            return dr.block_sum(values, spp) / spp

        met = self._scene.ray_intersect(rays)
        solid = met.is_valid()
        guides, surface = self._guides(met, solid, mean)
        # A kernel of its own: the long one that follows has enough to keep.
        dr.eval(solid, surface, guides.colour, guides.normal, guides.point, guides.distance)
        colour, _, _ = self._integrator.sample(self._scene, sampler, rays)
        keep = self._number(1.0 if self._stage.photograph is None else 0.0)
        share = dr.select(solid, 1.0, keep)
        light = mi.Color3f(*(dr.clip(dr.select(c == c, c, 0.0), 0.0, BRIGHTEST) * share for c in colour))
        level = mi.luminance(light) / dr.maximum(mi.luminance(surface), LEAST_COLOUR)
        middle, square = mean(level), mean(level * level)
        picture = mi.Color3f(*(mean(c) for c in light))
        variance = dr.maximum(square - middle * middle, 0.0) / max(spp - 1, 1)
        behind = mean(dr.select(solid, mi.Float(0.0), mi.Float(1.0)))
        dr.eval(picture, variance, behind)
        if spp > 1:
            picture = smooth(mi, dr, picture, variance, guides, n)
        linear = np.array(picture).T.reshape(n, n, 3)
        return Passes(
            linear=linear.astype(np.float32),
            behind=np.array(behind).reshape(n, n).astype(np.float32),
            owner=owner.reshape(n, n),
            point=point.reshape(n, n, 3),
        )

    def _spread(self, sampler: Any, number: Any) -> Any:
        """Points of the unit square for paths ``number``: each pixel's own, evenly spread, shifted by chance.

        An additive sequence by powers of the plastic number's inverse (Roberts 2018, cited from memory).
        """
        mi, dr, spp = self._mi, self._dr, self.samples
        chance = sampler.next_2d()
        shift = dr.gather(mi.Point2f, chance, number // spp * spp)
        turn = mi.Float(number % spp)
        point = shift + mi.Point2f(turn * 0.7548776662466927, turn * 0.5698402909980532)
        return point - dr.floor(point)

    def _guides(self, met: Any, solid: Any, mean: Callable[[Any], Any]) -> tuple[Guides, Any]:
        """What leads the smoothing, from the first hits of all paths; and the surface colour of each of them."""
        mi, dr = self._mi, self._dr
        mine = solid & (met.shape == mi.ShapePtr(self._subject))
        colour = met.shape.eval_attribute_3("vertex_colour", met, mine)
        table = met.bsdf().eval_diffuse_reflectance(met, solid & ~mine)
        surface = dr.select(mine, mi.Color3f(colour), dr.select(solid, mi.Color3f(table), mi.Color3f(1.0)))
        surface = mi.Color3f(*(dr.select(c == c, c, 1.0) for c in surface))  # a sliver of a triangle has none
        facing = dr.select(solid, met.sh_frame.n, mi.Normal3f(0.0))
        place = dr.select(solid, met.p, mi.Point3f(0.0))
        return Guides(
            colour=mi.Color3f(*(mean(c) for c in surface)),
            normal=mi.Vector3f(*(mean(c) for c in facing)),
            point=mi.Vector3f(*(mean(c) for c in place)),
            distance=mean(dr.select(solid, met.t, mi.Float(0.0))),
        ), surface

    def _past_lamp(self, rays: Any) -> Any:
        """Start rays that would hit the lamp's square behind it: it gives light, nobody photographs it."""
        first = self._scene.ray_intersect_preliminary(rays, coherent=True)
        lamp = first.is_valid() & (first.shape == self._mi.ShapePtr(self._lamp))
        rays.o = self._dr.select(lamp, rays(first.t + 1.0), rays.o)
        return rays


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


_QUAD = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]], np.float32)
_QUAD_FACES = np.array([[0, 1, 2], [0, 2, 3]], np.int32)


def _start(mi: Any, variant: str | None) -> str:
    problems: list[str] = []
    for name in (variant,) if variant else ("cuda_ad_rgb", "llvm_ad_rgb"):
        if name.startswith("cuda"):
            _rest_while_waiting()
        try:
            mi.set_variant(name)
        except ImportError as error:
            problems.append(f"{name}: {str(error).splitlines()[0]}")
            continue
        mi.set_log_level(mi.LogLevel.Error)
        return str(name)
    sys.stderr.write("\n".join(problems) + "\n")
    raise MissingExtra("rendering (no Mitsuba variant starts; a CPU needs Debian's libllvm19)", "render")


def _rest_while_waiting() -> None:
    """Have this process sleep while the GPU works; by default the driver keeps a core busy asking it.

    Dozens of renderers share one machine, and model the next scene on the cores that others do not need. Must
    come before anything else uses the device. Does nothing where there is no driver.
    """
    try:
        driver = ctypes.CDLL("libcuda.so.1")
    except OSError:
        return
    device = ctypes.c_int()
    if driver.cuInit(0) == 0 and driver.cuDeviceGet(ctypes.byref(device), 0) == 0:
        driver.cuDevicePrimaryCtxSetFlags_v2(device, _SCHED_BLOCKING_SYNC)


def _mesh(
    mi: Any,
    name: str,
    vertices: Floats,
    faces: Ints,
    normals: Floats,
    bsdf: dict[str, Any],
    uv: Floats | None = None,
    emitter: dict[str, Any] | None = None,
) -> Any:
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(bsdf)
    if emitter is not None:
        properties["emitter"] = mi.load_dict(emitter)
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


def _table(mi: Any) -> Any:
    """The table as a rectangle of four corners, filled in later."""
    square = np.array([[0, 0, 0], [1, 0, 0], [1, 0, -1], [0, 0, -1]], np.float32)
    bsdf = {
        "type": "twosided",
        "bsdf": {
            "type": "principled",
            "base_color": {
                "type": "bitmap",
                "bitmap": mi.Bitmap(np.full((TABLE_PX, TABLE_PX, 3), 0.5, np.float32)),
                "raw": True,
                "wrap_mode": "mirror",
            },
            "roughness": 0.6,
            "metallic": 0.0,
            "specular": 0.4,
        },
    }
    up = np.tile(np.array([[0, 1, 0]], np.float32), (4, 1))
    faces = np.array([[0, 1, 2], [0, 2, 3]], np.int32)
    return _mesh(mi, "table", square, faces, up, bsdf, square[:, :2].copy())


def _sized(picture: Floats) -> Floats:
    """The light map at the size that the scene holds."""
    if picture.shape[0] == AROUND_PX:
        return picture
    return np.asarray(cv2.resize(picture, (2 * AROUND_PX, AROUND_PX), interpolation=cv2.INTER_AREA), np.float32)


def _evened(picture: Floats) -> Floats:
    """Scale surroundings to a mean radiance of 1 over the sphere, the sun cut."""
    weight = np.cos((np.arange(len(picture)) + 0.5) / len(picture) * np.pi - np.pi / 2.0)[:, None, None]

    def mean(p: NDArray[np.floating]) -> float:
        return float((p * weight).sum() / (weight.sum() * p.shape[1] * 3.0))

    scaled = np.nan_to_num(picture, nan=0.0, posinf=1e4) / max(mean(picture), 1e-6)
    scaled = np.clip(scaled, 0.0, SUN_CUT)
    return np.asarray(scaled / max(mean(scaled), 1e-6), np.float32)


def _facing_quad(at: NDArray[np.float64], side: float) -> tuple[Floats, Floats]:
    """Return the (4, 3) corners of a square of half-width ``side`` at ``at`` facing the origin, and its (3,) normal."""
    toward = -at / np.linalg.norm(at)
    across = np.cross(toward, [0.0, 1.0, 0.0] if abs(toward[1]) < 0.8 else [1.0, 0.0, 0.0])
    across /= np.linalg.norm(across)
    over = np.cross(toward, across)
    corners = at + side * (_QUAD[:, :1] * across + _QUAD[:, 1:2] * over)
    return corners.astype(np.float32), toward.astype(np.float32)
