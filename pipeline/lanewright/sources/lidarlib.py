"""laspy without the network library that it imports where one is installed.

That library tries out a socket when it is imported; a run opens none.
"""

from __future__ import annotations

import sys

_NETWORK = "requests"

_before = _NETWORK in sys.modules
if not _before:
    sys.modules[_NETWORK] = None  # type: ignore[assignment]
try:
    import laspy
finally:
    if not _before:
        del sys.modules[_NETWORK]

__all__ = ["laspy"]
