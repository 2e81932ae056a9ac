"""What is wrong with settings, as lines that name the key, what stands there and what may."""

from __future__ import annotations

from typing import Any, get_args

from pydantic import BaseModel, ValidationError

MOST = 25
"""Faults listed; the rest are counted."""

LONGEST = 60
"""Characters of a value or key that are shown."""

_NUMBERS = {
    "less_than_equal": ("le", "give at most {}"),
    "less_than": ("lt", "give less than {}"),
    "greater_than_equal": ("ge", "give at least {}"),
    "greater_than": ("gt", "give more than {}"),
}

_PLAIN = {
    "finite_number": "give a finite number",
    "float_type": "give a number",
    "float_parsing": "give a number",
    "int_type": "give a whole number",
    "int_parsing": "give a whole number",
    "int_parsing_size": "give a whole number",
    "int_from_float": "give a whole number",
    "bool_type": "give true or false",
    "bool_parsing": "give true or false",
    "string_type": "give a text",
    "path_type": "give a path",
    "tuple_type": "give a list",
    "model_type": "give a section of keys",
    "date_type": "give a day as 2026-03-14",
    "date_parsing": "give a day as 2026-03-14",
    "date_from_datetime_parsing": "give a day as 2026-03-14",
    "date_from_datetime_inexact": "give a day as 2026-03-14",
}


def faults_in(err: ValidationError, model: type[BaseModel]) -> str:
    """All faults, one a line, as the problem of one message."""
    by_key: dict[str, str] = {}
    for fault in err.errors(include_url=False):
        key = _key(fault["loc"], model)
        said = _said(fault)
        if key not in by_key:
            by_key[key] = said
        elif said not in by_key[key]:
            # The kinds that one setting may be of are faults of their own.
            by_key[key] += f", or {said.rpartition('; ')[2]}"
    lines = [f"\n  {key}: {said}" for key, said in list(by_key.items())[:MOST]]
    more = len(by_key) - len(lines)
    lines += [f"\n  and {more:,} more"] if more else []
    return f"{len(by_key)} setting{'s' if len(by_key) > 1 else ''} to mend:{''.join(lines)}\n"


def _key(location: tuple[int | str, ...], model: type[BaseModel]) -> str:
    """Path of a key, without the kind of value that was tried."""
    parts: list[str] = []
    inside: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, str) and inside is None:
            break
        plain = isinstance(part, int) or (part.isidentifier() and len(part) <= LONGEST)
        parts.append(str(part) if plain else short(part))
        if isinstance(part, str) and inside is not None:
            field = inside.model_fields.get(part)
            inside = _section(field.annotation) if field is not None else None
    return ".".join(parts) or "(top level)"


def _section(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((s for a in get_args(annotation) if (s := _section(a)) is not None), None)


def _said(fault: Any) -> str:
    kind, context, given = fault["type"], fault.get("ctx", {}), fault.get("input")
    if kind == "extra_forbidden":
        return "unknown key; check the spelling or remove it"
    if kind == "missing":
        return "missing; it has no default"
    if kind == "literal_error":
        return f"is {short(given)}; give {context.get('expected', 'one of the words')}"
    if kind in _NUMBERS:
        name, words = _NUMBERS[kind]
        bound = context[name]
        text = f"{bound:g}" if isinstance(bound, int | float) else str(bound)
        return f"is {short(given)}; {words.format(text)}"
    if kind in _PLAIN:
        return f"is {short(given)}; {_PLAIN[kind]}"
    message = fault["msg"].removeprefix("Value error, ")
    return f"{message} (got {short(given)})" if fault["loc"] else message


def short(value: object) -> str:
    """A value as it can be shown in a line, whatever it is."""
    try:
        text = repr(value)
    except ValueError:  # whole numbers of thousands of digits
        text = "a number of thousands of digits"
    return text if len(text) <= LONGEST else text[: LONGEST - 2] + "…"
