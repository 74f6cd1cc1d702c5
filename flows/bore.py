"""Needles and tubing: how flow compares between two bores. Estimates for a nurse, never an absolute flow.

Hagen-Poiseuille: the pressure drop is 128 x viscosity x length x flow / (pi x diameter^4), for laminar flow of a Newtonian fluid in
one straight bore. Tubing and tissue push back too, and needles for use under the skin are often thin-walled and wider inside than
this table, so a ratio only says which way and roughly how much.
"""

from math import isfinite, pi

from flows.regimen import Refusal

# Nominal inner diameter, regular wall, mm (needle gauge table of an encyclopaedia, seen: clinical 6). ISO 9626 gives least
# diameters by wall class; its table was not seen.
INNER_MM = {20: 0.603, 21: 0.514, 22: 0.413, 23: 0.337, 24: 0.311, 25: 0.260, 26: 0.260, 27: 0.210, 28: 0.184, 29: 0.184, 30: 0.159,
            31: 0.133}


def pressure_drop_pa(flow_m3_per_s, length_m, inner_m, viscosity_pa_s):
    """Pressure drop (Pa) of a flow (m3/s) through a bore of this length and inner diameter (m) at this viscosity (Pa s)."""
    return 128 * viscosity_pa_s * length_m * flow_m3_per_s / (pi * inner_m**4)


def inner_mm(gauge):
    """Nominal inner diameter (mm) of a regular-wall needle. `Refusal` for a gauge that is not in the table."""
    if gauge not in INNER_MM:
        raise Refusal("not_a_number", "gauge", f"gauge: {gauge} is not in the table; known: {min(INNER_MM)} to {max(INNER_MM)}")
    return INNER_MM[gauge]


def relative_flow(gauge, other, *, length=1.0, pressure=1.0, viscosity=1.0):
    """How many times the flow of needle `gauge` goes through needle `other`; the ratios are other / gauge."""
    for field, ratio in (("length_ratio", length), ("pressure_ratio", pressure), ("viscosity_ratio", viscosity)):
        if not (isfinite(ratio) and 0 < ratio <= 1000):
            raise Refusal("not_positive", field, f"{field}: {ratio} must be above 0 and at most 1000")
    return pressure / (viscosity * length) * (inner_mm(other) / inner_mm(gauge))**4


def estimate(gauge, other, **ratios):
    """`relative_flow` with the words that must stand beside it."""
    ratio = relative_flow(gauge, other, **ratios)
    return {"ratio": ratio, "text": f"ESTIMATE: {other} gauge lets through about {ratio:.2g} times the flow of {gauge} gauge at these ratios. "
                                    "Regular-wall bores alone; tubing and tissue not counted. A change of needle needs an order."}
