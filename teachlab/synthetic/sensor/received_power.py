"""From watts to percent of full scale: received power by sensing principle, and the noise of light.

Plain functions of physical quantities, for writing a scenario from a data sheet or a bench measurement. Scenario files
hold the resulting figures in percent of full scale.

References
----------
Inverse-square law and Lambert's law: any text on photometry. Shot noise ``sqrt(2 q I B)`` and Johnson
noise ``sqrt(4 k T R B)``: Horowitz & Hill, *The Art of Electronics*, chapter on low-noise techniques.
"""

from __future__ import annotations

import math

ELECTRON_C = 1.602176634e-19
BOLTZMANN_J_K = 1.380649e-23
WHITE, BLACK = 0.9, 0.06
"""Reflectances of a reference card and of a dark one."""


def through_beam_w(tx_w: float, *, receiver_mm2: float, beam_sr: float, distance_mm: float) -> float:
    """Return the power received from an emitter in the far field, ``P·A/(Ω d²)``, watts."""
    return tx_w * receiver_mm2 / (beam_sr * distance_mm**2)


def diffuse_w(
    tx_w: float,
    *,
    reflectance: float,
    receiver_mm2: float,
    distance_mm: float,
    tilt_deg: float = 0.0,
    overlap: float = 1.0,
    spot_share: float = 1.0,
) -> float:
    """Return the power received from a Lambertian target, ``P ρ cos(θ) A/(π d²) · overlap · share``, watts.

    `tx_w` (W): emitted power that reaches the target's plane.
    `reflectance`: diffuse reflectance ρ: white card 0.8 to 0.9, kraft 0.45 to 0.6, black plastic 0.03 to 0.08 (planning
    values, common practice, no source).
    `receiver_mm2`, `distance_mm`: receiver area and distance of the target.
    `overlap`: overlap of emitter and receiver fields, 0 in the blind zone, 1 far out.
    `spot_share`: share of the spot that the target fills; for a small target it falls as 1/d², and the power then falls
    as 1/d⁴.
    """
    lambert = reflectance * math.cos(math.radians(tilt_deg)) * receiver_mm2 / (math.pi * distance_mm**2)
    return tx_w * lambert * overlap * spot_share


def retroreflective_w(
    tx_w: float,
    *,
    reflector_efficiency: float,
    reflector_mm2: float,
    receiver_mm2: float,
    beam_sr: float,
    return_sr: float,
    distance_mm: float,
) -> float:
    """Return the power from a reflector, watts: smaller than the beam ∝ 1/d⁴, larger than the beam ∝ 1/d²."""
    # Neither mirror nor receiver can catch more light than there is.
    caught = min(1.0, reflector_mm2 / (beam_sr * distance_mm**2))
    returned = min(1.0, receiver_mm2 / (return_sr * distance_mm**2))
    return tx_w * reflector_efficiency * caught * returned


def overlap(distance_mm: float, *, peak_mm: float) -> float:
    """Return how much the fields of emitter and receiver overlap, ``F(d) = exp(−(d_p/d)²)``.

    0 at distance 0, and 1 far away; with the ``1/d²`` of a card the light is highest at ``d_p`` itself: 0.5 to 3 mm for
    a fibre bundle, more for two lenses side by side. The shape is a planning model (common practice, no source); 0
    means no blind zone.
    """
    return math.exp(-((peak_mm / distance_mm) ** 2))


def fibre_coupling(gap_mm: float, *, core_mm: float, half_angle_deg: float = 30.0) -> float:
    """Return the share of the light that a fibre collects across a gap, ``(a/(a + d·tan θ))²``, a: half the core.

    `gap_mm`: distance d of the two fibre ends.
    `core_mm`: diameter of both cores; 0.25 to 1.5 mm.
    `half_angle_deg`: half-angle θ of the cone of light; a numerical aperture of 0.5 has 30 degrees.
    """
    half = core_mm / 2
    return (half / (half + gap_mm * math.tan(math.radians(half_angle_deg)))) ** 2


def level_against_reference(
    reference_percent: float,
    *,
    reflectance: float,
    distance_mm: float,
    reference_reflectance: float = WHITE,
    reference_distance_mm: float,
    tilt_deg: float = 0.0,
    peak_mm: float = 0.0,
) -> float:
    """Return the level of a target from that of a reference card, ``x_ref (ρ/ρ_ref)(d_ref/d)² cos θ F(d)/F(d_ref)``."""
    near = overlap(distance_mm, peak_mm=peak_mm) / overlap(reference_distance_mm, peak_mm=peak_mm)
    lambert = (reflectance / reference_reflectance) * max(math.cos(math.radians(tilt_deg)), 0.0)
    return reference_percent * lambert * (reference_distance_mm / distance_mm) ** 2 * near


def suppressed_level(
    distance_mm: float,
    *,
    cutoff_mm: float,
    gain_percent: float,
    reflectance: float = WHITE,
    white_black_share: float = 0.0,
) -> float:
    """Return the level of a background-suppressed sensor; 50 % at the cut-off distance of a reference card.

    ``50 + 50·tanh(gain·(d_c(ρ) − d)/(50·d_c))``: near objects are bright, far ones dark. The remaining dependence on
    reflectance moves the cut-off, ``d_c(ρ) = d_c·(1 − share·(ρ_ref − ρ)/(ρ_ref − ρ_dark))``: the cut-off of a dark card
    is nearer by that share. The straight line between the two cards is a planning model (common practice, no source).
    """
    shift = white_black_share * (WHITE - reflectance) / (WHITE - BLACK)
    return 50.0 + 50.0 * math.tanh(gain_percent * (1.0 - shift - distance_mm / cutoff_mm) / 50.0)


def polarised_leak(psi_rad: float, retardance_rad: float) -> float:
    """Return the share of light that stretched film rotates through a crossed analyser, ``sin²(2ψ)·sin²(δ/2)``."""
    return math.sin(2 * psi_rad) ** 2 * math.sin(retardance_rad / 2) ** 2


def shot_noise_a(current_a: float, bandwidth_hz: float) -> float:
    """Return the shot noise current, ``sqrt(2 q I B)``, amperes."""
    return math.sqrt(2 * ELECTRON_C * current_a * bandwidth_hz)


def johnson_noise_v(resistance_ohm: float, temperature_k: float, bandwidth_hz: float) -> float:
    """Return the thermal noise voltage of a resistor, ``sqrt(4 k T R B)``, volts."""
    return math.sqrt(4 * BOLTZMANN_J_K * temperature_k * resistance_ohm * bandwidth_hz)


def shot_kappa(full_scale_a: float, integration_s: float) -> float:
    """Return κ of the shot noise variance ``κ·x`` (x in percent): ``100 / N_FS`` with ``N_FS = I_FS τ / q``."""
    return 100.0 * ELECTRON_C / (full_scale_a * integration_s)


def thermal_percent(full_scale_a: float, feedback_ohm: float, integration_s: float, temperature_k: float) -> float:
    """Return the thermal noise of the feedback resistor in percent of full scale, ``B = 1/(2τ)``."""
    current = math.sqrt(4 * BOLTZMANN_J_K * temperature_k / feedback_ohm / (2 * integration_s))
    return 100.0 * current / full_scale_a
