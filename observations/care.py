"""What a deep landing does to a fish: the physics, and what agencies advise."""

# Fresh water at 20 °C, standard gravity, and the standard atmosphere at sea level.
_DENSITY_KG_M3 = 998.2
_GRAVITY_M_S2 = 9.80665
_ATMOSPHERE_PA = 101_325.0

# 25 ft, the shallower of the two agencies' figures (North Dakota Game and Fish 25 ft, Minnesota DNR about
# 30 ft; both as quoted by newspapers).
DEEP_LANDING_M = 7.62


def gas_expansion(depth_m: float) -> float:
    """Return by what factor gas in a fish grows when it is brought up from `depth_m` of fresh water.

    Boyle's law at sea level, temperature unchanged: (P0 + ρ g z) / P0.
    """
    return (_ATMOSPHERE_PA + _DENSITY_KG_M3 * _GRAVITY_M_S2 * depth_m) / _ATMOSPHERE_PA
