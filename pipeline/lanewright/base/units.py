"""Feet, acres and metres: exact by definition."""

FOOT = 0.3048
"""Metres in an international foot, exact since 1959."""

ACRE = 0.40468564224
"""Hectares in an international acre: 43,560 square feet."""

FEET_PER_METRE = 1 / FOOT
ACRES_PER_HECTARE = 1 / ACRE


def both(metres: float, digits: int = 0) -> str:
    """A length in metres and feet, for names and sentences.

    Examples
    --------
    >>> both(15.24, 1), both(552)
    ('15.2 m (50 ft)', '552 m (1,811 ft)')
    """
    return f"{metres:,.{digits}f} m ({metres / FOOT:,.0f} ft)"
