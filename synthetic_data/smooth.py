"""Take the grain of few light paths out of a picture, and leave its edges.

A phone's picture has the noise of its sensor, which ``camera`` adds; that of a renderer is another, and hides in the
dark what a photograph would show. Filtered is the light without the surface's own colour, in ever wider steps, only
among pixels that show the same surface and differ by no more than their noise; pixels of edges, which show two, are in
the end mixed with those around them. After the edge-avoiding à-trous wavelets of Dammertz and others (High Performance
Graphics 2010) with the weights of Schied and others' spatial filter (SVGF, High Performance Graphics 2017); both cited
from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

LEVELS = 4
"""Steps of 1, 2, 4 and 8 pixels."""
KERNEL = (3.0 / 8.0, 1.0 / 4.0, 1.0 / 16.0)
"""B3 spline, by distance in steps."""
LIGHT = 3.0
"""Difference of light, in standard deviations of its noise, at which a neighbour counts a third."""
NORMAL_POWER = 32.0
COLOUR = 0.08
"""The same for the mean difference of surface colour."""
PLANE = 0.006
"""The same for its distance from the pixel's tangent plane, in distances from the camera."""
KIN = 0.3
"""Share of a pixel's neighbours that show its surface, below which it counts as lone: on an edge that its paths
straddle it is of neither side, and nothing takes its grain."""
LEAST_COLOUR = 0.03
"""Darker surfaces count as this dark, so that no light is divided by nothing."""


@dataclass(frozen=True, slots=True)
class Guides:
    """What the paths of each pixel met first, on average: arrays of n * n numbers of the renderer's backend.

    Attributes:
        colour: three, of the surface; 1 where there is none.
        normal: three, its direction; 0 where there is none.
        point: three, its place in millimetres; 0 where there is none.
        distance: from the camera, millimetres.
    """

    colour: Any
    normal: Any
    point: Any
    distance: Any


def smooth(mi: Any, dr: Any, light: Any, variance: Any, guides: Guides, side: int) -> Any:
    """Smooth a picture.

    Args:
        mi: Mitsuba, with its variant set.
        dr: Dr.Jit.
        light: ``Color3f`` of side * side pixels, radiance.
        variance: ``Float``, variance of each pixel's mean luminance, over the surface's squared luminance.
        guides: of the same pixels.
        side: of the square picture in pixels.

    Returns:
        ``Color3f`` of the same shape.
    """
    surface = dr.maximum(guides.colour, LEAST_COLOUR)
    bare = light / surface
    pixel = dr.arange(mi.UInt32, side * side)
    x, y = mi.Int32(pixel % side), mi.Int32(pixel // side)

    def at(dx: Any, dy: Any) -> tuple[Any, Any]:
        u, v = x + dx, y + dy
        inside = (u >= 0) & (u < side) & (v >= 0) & (v < side)
        return mi.UInt32(dr.select(inside, v * side + u, 0)), inside

    lone = mi.Float(0.0)
    for level in range(LEVELS):
        step = mi.Int32(1 << level)
        dr.make_opaque(step)  # one kernel for all levels
        even, whole = mi.Float(0.0), mi.Float(0.0)
        for dy in (-1, 0, 1):
            for dx in (-1, 0, 1):
                index, inside = at(dx, dy)
                weight = dr.select(inside, (2.0 - abs(dx)) * (2.0 - abs(dy)), 0.0)
                even += weight * dr.gather(mi.Float, variance, index)
                whole += weight
        spread = LIGHT * dr.sqrt(dr.maximum(even / whole, 0.0)) + 1e-3
        own = mi.luminance(bare)
        total, colour, noise = mi.Float(0.0), mi.Color3f(0.0), mi.Float(0.0)
        kin, around = mi.Float(0.0), mi.Float(0.0)
        for dy in (-2, -1, 0, 1, 2):
            for dx in (-2, -1, 0, 1, 2):
                index, inside = at(dx * step, dy * step)
                theirs = dr.gather(mi.Color3f, bare, index)
                weight = dr.select(inside, KERNEL[abs(dx)] * KERNEL[abs(dy)], 0.0)
                if dx or dy:
                    apart = dr.gather(mi.Vector3f, guides.point, index) - guides.point
                    turned = dr.dot(dr.gather(mi.Vector3f, guides.normal, index), guides.normal)
                    paint = dr.gather(mi.Color3f, guides.colour, index) - guides.colour
                    lit = dr.abs(mi.luminance(theirs) - own) / spread
                    off = dr.abs(dr.dot(apart, guides.normal)) / (PLANE * guides.distance + 1e-3)
                    tint = dr.sum(dr.abs(paint)) / (3.0 * COLOUR)
                    alike = dr.power(dr.maximum(turned, 1e-3), NORMAL_POWER) * dr.exp(-off - tint)
                    around += weight
                    weight *= alike
                    kin += weight
                    weight *= dr.exp(-lit)
                total += weight
                colour += weight * theirs
                noise += weight * weight * dr.gather(mi.Float, variance, index)
        bare, variance = colour / total, noise / (total * total)
        share = kin / dr.maximum(around, 1e-6)
        dr.eval(bare, variance, share)
        if level == 0:
            lone = dr.clip(1.0 - share / KIN, 0.0, 1.0)
    picture = bare * surface
    dr.eval(picture, lone)
    total, colour = mi.Float(0.0), mi.Color3f(0.0)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            index, inside = at(dx, dy)
            weight = dr.select(inside, (2.0 - abs(dx)) * (2.0 - abs(dy)), 0.0)
            weight *= 1.0 - 0.8 * dr.gather(mi.Float, lone, index)
            total += weight
            colour += weight * dr.sqrt(dr.maximum(dr.gather(mi.Color3f, picture, index), 0.0))  # a spark counts less
    return picture + (dr.square(colour / total) - picture) * lone
