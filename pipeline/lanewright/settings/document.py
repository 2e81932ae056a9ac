"""YAML of a configuration, read within bounds: its size, depth, aliases and numbers.

A document of a few hundred bytes can stand for more values than memory holds, and some values
end a general reader with an exception of its own. Here each of these is one `InputError`.
"""

from __future__ import annotations

import stat
from collections.abc import Hashable
from pathlib import Path
from typing import Any

import yaml

from lanewright.base.errors import InputError

MOST_BYTES = 1_000_000
"""A larger file is no configuration."""

MOST_VALUES = 20_000
"""Values in the document, aliases counted as often as they are used."""

MOST_DEPTH = 40
"""Lists and sections within one another."""

LONGEST_TEXT = 10_000
"""Characters of one value; a CRS in WKT has some 2,000."""

LONGEST_NUMBER = 40
"""Characters of one number or date."""

_PLAIN = ("str", "int", "float", "bool", "null", "timestamp", "seq", "map", "merge")
_TAG = "tag:yaml.org,2002:"


def read_document(path: Path) -> dict[str, Any]:
    """Keys and values of a YAML file.

    Raises
    ------
    InputError
        If it cannot be read, is no YAML, goes beyond the bounds above, says a key twice, or holds
        no keys.
    """
    text = _text(path)
    try:
        _look(text)
        raw = yaml.load(text, _Loader)
    except RecursionError:
        raise _fault(path, f"it is nested more than {MOST_DEPTH} deep", None) from None
    except _TwiceError as err:
        raise InputError(
            path, f"not valid: {'; '.join(err.said)}", "Keep one of each; the other was ignored."
        ) from None
    except yaml.MarkedYAMLError as err:
        raise _fault(path, err.problem or "it cannot be read", err.problem_mark) from None
    except yaml.YAMLError as err:
        raise _fault(path, str(err).replace("\n", " ")[:200], None) from None
    if not isinstance(raw, dict):
        raise InputError(path, "the configuration holds no keys", "Start from a file in configs/.")
    return raw


def _fault(path: Path, problem: str, mark: yaml.Mark | None) -> InputError:
    at = f" in line {mark.line + 1}, column {mark.column + 1}" if mark is not None else ""
    remedy = "Mend it there." if at else "Start from a file in configs/."
    return InputError(path, f"not valid YAML{at}: {problem[:300]}", remedy)


def _text(path: Path) -> str:
    remedy = "Check the path."
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise InputError(path, "the configuration cannot be read (it is no file)", remedy)
        if found.st_size > MOST_BYTES:
            raise InputError(
                path, f"is larger than a configuration can be ({found.st_size:,} bytes)", remedy
            )
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as err:
        raise InputError(
            path,
            f"the configuration cannot be read (byte {err.start} is no UTF-8)",
            "Save it as UTF-8.",
        ) from None
    except (OSError, ValueError) as err:
        raise InputError(path, f"the configuration cannot be read ({err})", remedy) from None


def _look(text: str) -> None:
    """Hold the document against the bounds before anything is built from it."""
    worth: dict[str, int] = {}  # values that an anchor stands for
    open_at: list[tuple[str | None, int]] = []  # anchor of a section, values before it
    count = 0
    for event in yaml.parse(text, yaml.SafeLoader):
        if isinstance(event, yaml.AliasEvent):
            if event.anchor not in worth:
                raise _said(f"the alias *{str(event.anchor)[:40]} stands for nothing whole", event)
            count += worth[event.anchor]
        elif isinstance(event, yaml.ScalarEvent):
            count += 1
            if len(event.value) > LONGEST_TEXT:
                raise _said(f"a value of {len(event.value):,} characters", event)
            if event.anchor:
                worth[event.anchor] = 1
        elif isinstance(event, yaml.CollectionStartEvent):
            open_at.append((event.anchor, count))
            count += 1
            if len(open_at) > MOST_DEPTH:
                raise _said(f"it is nested more than {MOST_DEPTH} deep", event)
        elif isinstance(event, yaml.CollectionEndEvent):
            anchor, before = open_at.pop()
            if anchor:
                worth[anchor] = count - before
        if count > MOST_VALUES:
            raise _said(f"it stands for more than {MOST_VALUES:,} values", event)


def _said(problem: str, event: yaml.Event) -> yaml.MarkedYAMLError:
    mark: Any = event.start_mark
    return yaml.MarkedYAMLError(problem=problem, problem_mark=mark)


class _TwiceError(yaml.YAMLError):
    """Keys that stand twice in one section."""

    def __init__(self, said: list[str]) -> None:
        super().__init__("; ".join(said))
        self.said = said


class _Loader(yaml.SafeLoader):
    """Loader of plain values, which says where a value cannot be read or a key stands twice."""

    def get_single_data(self) -> Any:
        node = self.get_single_node()
        if node is None:
            return None
        if twice := _twice(node, set()):
            raise _TwiceError(twice[:20])
        return self.construct_document(node)

    def construct_object(self, node: yaml.Node, deep: bool = False) -> Any:
        kind = node.tag.removeprefix(_TAG)
        if kind not in _PLAIN:
            raise yaml.constructor.ConstructorError(
                None, None, f"the tag {node.tag[:60]} is not for configurations", node.start_mark
            )
        number = kind in ("int", "float", "timestamp")
        try:
            if number and len(node.value) > LONGEST_NUMBER:
                raise ValueError
            return super().construct_object(node, deep)
        except (ValueError, LookupError, AttributeError, OverflowError, TypeError):
            what = {"timestamp": "date", "int": "number", "float": "number"}.get(kind, kind)
            raise yaml.constructor.ConstructorError(
                None, None, f"{str(node.value)[:40]!r} is no {what}", node.start_mark
            ) from None


def _twice(node: yaml.Node, seen: set[int]) -> list[str]:
    """Keys that stand twice in a section, with their lines."""
    if id(node) in seen or isinstance(node, yaml.ScalarNode):
        return []
    seen.add(id(node))
    if not isinstance(node, yaml.MappingNode):
        return [text for item in node.value for text in _twice(item, seen)]
    found, first = [], dict[Hashable, int]()
    for key, value in node.value:
        line = key.start_mark.line + 1
        if isinstance(key, yaml.ScalarNode):
            if key.value in first:
                found.append(
                    f"{key.value[:60]} stands twice, in lines {first[key.value]} and {line}"
                )
            first.setdefault(key.value, line)
        found += _twice(value, seen)
    return found
