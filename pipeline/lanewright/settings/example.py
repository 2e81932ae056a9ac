"""Every setting as commented YAML, from the models themselves, so that it cannot go stale.

`python -m lanewright.settings.example configs/every-setting.yaml` writes it anew.
"""

from __future__ import annotations

import sys
import textwrap
from pathlib import Path
from typing import Any

import yaml
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from lanewright.settings.config import Config

HEAD = """\
# Every setting with its default. Copy what you want to change into your own file; what is left
# out keeps its default. Paths start at the folder of the file. All lengths are in metres.
"""

_EXAMPLES: dict[str, object] = {
    "name": "Hollow Creek",
    "property": "property.gpkg",
    "points": ["tiles/*.laz"],
    "elevation": ["dem/*.tif"],
    "keep_out": [{"path": "keep_out.gpkg", "buffer": 10.0}],
    "out": "../outputs/hollow-creek",
}
"""Stand-ins for settings without a default that would run."""


def every_setting() -> str:
    """YAML of all settings, each with its description and default."""
    return HEAD + "\n" + "\n".join(_section(Config, 0))


def _section(model: type[BaseModel], depth: int) -> list[str]:
    lines: list[str] = []
    for name, field in model.model_fields.items():
        inner = field.annotation
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            about = (inner.__doc__ or "").strip().splitlines()[0]
            lines += ["", *_comment(about, depth), f"{_pad(depth)}{name}:"]
            lines += _section(inner, depth + 1) or [f"{_pad(depth + 1)}{{}}"]
        else:
            lines += [*_comment(field.description or "", depth), *_value(name, field, depth)]
    return lines


def _value(name: str, field: FieldInfo, depth: int) -> list[str]:
    given = depth == 0 and name in _EXAMPLES
    value = _EXAMPLES[name] if given else field.get_default(call_default_factory=True)
    if value is None:
        return [f"{_pad(depth)}# {name}:"]
    plain = yaml.safe_dump(_plain(value), default_flow_style=True, width=1000, sort_keys=False)
    return [f"{_pad(depth)}{name}: {plain.removesuffix('...' + chr(10)).strip()}"]


def _plain(value: object) -> Any:
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    return str(value) if isinstance(value, Path) else value


def _comment(text: str, depth: int) -> list[str]:
    pad = _pad(depth) + "# "
    return [pad + line for line in textwrap.wrap(text, 98 - len(pad))]


def _pad(depth: int) -> str:
    return "  " * depth


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(every_setting() + "\n", encoding="utf-8")
