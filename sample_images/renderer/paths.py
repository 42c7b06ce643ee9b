"""The light along a camera ray: a path tracer for clear things seen close up.

What the camera sees through wall and liquid is refracted exactly. Three things differ from a
textbook path tracer, because the textbook one needs thousands of rays for each pixel here:

* Light reaches what is inside or behind the barrel along straight lines. A shadow ray goes
  through clear surfaces without bending, and loses what they reflect and absorb. So a barrel
  casts a pale shadow with dark edges, but does not focus light into bright lines (caustics).
* Light from around the lamps, the "sky", is one colour from everywhere.
* At the first clear surface that a camera ray meets, a fixed share of the rays looks at the mirror
  image and the others through it, so that the bright streak along a barrel is smooth.

``focused`` undoes the first: clear things then bend the light that passes them, as in life, and
the bright lines are there, in as many grains as the rays are few.
"""

from __future__ import annotations

from typing import Any

import drjit as dr
import mitsuba as mi

MAX_DEPTH = 22
SHADOW_STEPS = 16
#: Light scattered more often than this adds less than a few hundredths, even on white.
MATTE_BOUNCES = 4


@dr.syntax
def light_along(
    scene: Any,
    sampler: Any,
    ray: Any,
    sky: Any,
    spread: Any,
    mirror_lane: Any,
    share: float,
    focused: bool,
) -> Any:
    """Radiance arriving along the rays; ``ray`` as a batch of the renderer's rays.

    ``sky`` is the radiance of everything around that is no lamp, the same from everywhere.
    ``spread`` is a point of the unit square for each ray, evenly spread over each pixel's rays:
    it picks the place on the lamp where a surface is first lit.
    ``mirror_lane`` marks the rays, a fixed ``share`` of each pixel's, that look at the mirror
    image in the first clear surface.
    With ``focused`` light gets to a matte surface straight where nothing is in its way, and else
    as it is bent: a scattered ray that leaves through clear surfaces may meet a lamp or the sky.
    """
    context = mi.BSDFContext()
    mirror = mi.BSDFContext()
    mirror.component = 0
    result = mi.Color3f(0)
    throughput = mi.Color3f(1)
    depth = mi.UInt32(0)
    scattered = mi.UInt32(0)
    specular = mi.Bool(True)
    bent = mi.Bool(False)
    ray = mi.Ray3f(ray)
    active = mi.Bool(True)
    while active:
        si = scene.ray_intersect(ray, ray_flags=mi.RayFlags.All, coherent=(depth == 0))
        emitter = si.emitter(scene)
        # A lamp is seen directly or in a mirror; elsewhere shadow rays account for it.
        seen_here = specular | bent
        seen = emitter.eval(si, active & seen_here)
        result += dr.select(seen_here, throughput * seen, 0)
        result += dr.select(active & seen_here & ~si.is_valid(), throughput * sky, 0)
        active &= si.is_valid() & (depth < MAX_DEPTH)
        bsdf = si.bsdf(ray)
        flags = bsdf.flags()
        matte = mi.has_flag(flags, mi.BSDFFlags.Smooth)
        on_lamp = dr.select(scattered == 0, spread, sampler.next_2d(active))
        direct, weight = scene.sample_emitter_direction(si, on_lamp, False, active & matte)
        lit = active & matte & (direct.pdf != 0)
        value = bsdf.eval(context, si, si.to_local(direct.d), lit)
        lit &= dr.max(value) > 0
        passed = unblocked(scene, sampler, si, direct.d, direct.dist, lit, focused)
        result += dr.select(lit, throughput * value * weight * passed, 0)

        side = dr.select(mi.Frame3f.cos_theta(si.wi) >= 0, 1.0, -1.0)
        on_sky = dr.select(scattered == 0, mi.Point2f(spread.y, spread.x), sampler.next_2d(active))
        up = mi.warp.square_to_cosine_hemisphere(on_sky)
        pdf = mi.warp.square_to_cosine_hemisphere_pdf(up)
        open_way = mi.Vector3f(up.x, up.y, side * up.z)
        lit = active & matte & (pdf > 1e-4)
        value = bsdf.eval(context, si, open_way, lit) / pdf
        lit &= dr.max(value) > 0
        open_way = si.to_world(open_way)
        passed = unblocked(scene, sampler, si, open_way, mi.Float(1e5), lit, focused)
        result += dr.select(lit, throughput * value * sky * passed, 0)

        first = active & (depth == 0) & mi.has_flag(flags, mi.BSDFFlags.DeltaReflection)
        mirrored = first & mirror_lane
        u, v = sampler.next_1d(active), sampler.next_2d(active)
        sample, gain = bsdf.sample(context, si, u, v, active & ~mirrored)
        sample_m, gain_m = bsdf.sample(mirror, si, u, v, mirrored)
        reflected = mi.has_flag(sample.sampled_type, mi.BSDFFlags.DeltaReflection)
        gain = dr.select(first, dr.select(reflected, 0, gain / (1 - share)), gain)
        gain = dr.select(mirrored, gain_m / share, gain)
        way = dr.select(mirrored, sample_m.wo, sample.wo)
        kind = dr.select(mirrored, sample_m.sampled_type, sample.sampled_type)
        specular &= mi.has_flag(kind, mi.BSDFFlags.Delta)
        # since it was scattered last: what shadow rays that are not bent leave out
        bent = mi.Bool(focused) & ~specular & mi.has_flag(kind, mi.BSDFFlags.Delta)
        throughput *= gain
        ray = si.spawn_ray(si.to_world(way))
        depth += 1
        brightest = dr.max(throughput)
        active &= brightest > 0
        scattered += dr.select(mi.has_flag(kind, mi.BSDFFlags.Smooth), mi.UInt32(1), mi.UInt32(0))
        active &= scattered < MATTE_BOUNCES
        # Past the surfaces of a barrel, weak paths are ended at random, without bias.
        go_on = dr.minimum(brightest, 0.95)
        roulette = depth > 12
        active &= ~roulette | (sampler.next_1d(active) < go_on)
        throughput = dr.select(roulette, throughput / go_on, throughput)
    return result


@dr.syntax
def unblocked(
    scene: Any, sampler: Any, si: Any, way: Any, distance: Any, lit: Any, focused: bool
) -> Any:
    """Share of the light that gets to ``si`` from ``distance`` along ``way``, unbent.

    With ``focused`` none gets through clear surfaces.
    """
    # Component 1 of a clear surface is what it lets through: expected share, no lot drawn.
    context = mi.BSDFContext(mi.TransportMode.Importance)
    context.component = 1
    passed = mi.Color3f(1)
    ray = si.spawn_ray(way)
    left = distance * (1 - 1e-3)
    ray.maxt = left
    steps = mi.UInt32(0)
    going = mi.Bool(lit)
    while going:
        hit = scene.ray_intersect(ray, ray_flags=mi.RayFlags.All, coherent=False, active=going)
        going &= hit.is_valid()
        bsdf = hit.bsdf()
        u, v = sampler.next_1d(going), sampler.next_2d(going)
        sample, gain = bsdf.sample(context, hit, u, v, going)
        # Unbent, a ray would meet the way out more steeply than a bent one does and be thrown
        # back; what gets out equals what gets in at the angle outside.
        hit.wi = mi.Vector3f(hit.wi.x, hit.wi.y, -hit.wi.z)
        sample_r, gain_r = bsdf.sample(context, hit, u, v, going)
        through = mi.has_flag(sample.sampled_type, mi.BSDFFlags.DeltaTransmission)
        through_r = mi.has_flag(sample_r.sampled_type, mi.BSDFFlags.DeltaTransmission)
        gain = dr.maximum(dr.select(through, gain, 0), dr.select(through_r, gain_r, 0))
        through |= through_r
        through &= mi.Bool(not focused)
        steps += 1
        passed = dr.select(
            going, dr.select(through & (steps < SHADOW_STEPS), passed * gain, 0), passed
        )
        left = dr.select(going, left - hit.t, left)
        ray = dr.select(going, hit.spawn_ray(way), ray)
        ray.maxt = left
        going &= through & (steps < SHADOW_STEPS) & (left > 0)
    return passed
