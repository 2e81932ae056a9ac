"""Feet, acres and metres: exact by definition."""

FOOT = 0.3048
"""Metres in an international foot, exact since 1959."""

ACRE = 0.40468564224
"""Hectares in an international acre: 43,560 square feet."""

FEET_PER_METRE = 1 / FOOT
ACRES_PER_HECTARE = 1 / ACRE
