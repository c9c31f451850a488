"""A deck as a TOML text and back: every field by name, nothing guessed, nothing silently dropped.

Tables: top level and ``[arm]``, ``[cartridge]``, ``[radii]``, ``[[feet]]``, ``[[targets]]``.
Absent keys take their defaults. Unknown keys, wrong types and figures out of range are a
ValueError that names the field, the value and what is allowed.
"""

from __future__ import annotations

import tomllib
from dataclasses import MISSING, Field, fields
from typing import Any

import tomli_w

from bench.arm import Radii, radius_set
from bench.deck import Arm, Cartridge, Deck, Foot
from bench.targets import Target

SCHEMA = "deckplumb/deck/1"
MAX_BYTES = 200_000


def to_toml(deck: Deck) -> str:
    """Write a deck as TOML; absent figures are left out."""
    table: dict[str, Any] = {"schema": SCHEMA, **_plain(deck)}
    for key in ("arm", "cartridge", "radii", "feet", "targets"):
        if key in table:
            table[key] = table.pop(key)
    return tomli_w.dumps(table)


def from_toml(text: str) -> Deck:
    """Read a deck; ValueError names the field that is wrong."""
    if len(text.encode("utf-8", "replace")) > MAX_BYTES:
        raise ValueError(f"deck file: got more than {MAX_BYTES} bytes, allowed up to {MAX_BYTES}")
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise ValueError(f"deck file: not valid TOML ({problem})") from problem
    schema = table.pop("schema", SCHEMA)
    if schema != SCHEMA:
        raise ValueError(f"deck file schema: got {schema!r}, allowed {SCHEMA!r}")
    return from_table(table)


def from_table(table: dict[str, Any]) -> Deck:
    """Build a deck from nested plain values, as read from TOML."""
    table = dict(table)
    for key in ("arm", "cartridge"):
        if not isinstance(table.get(key), dict):
            raise ValueError(f"deck: got no [{key}] table, which is needed")
    table["arm"] = _record(Arm, table["arm"], "arm")
    table["cartridge"] = _record(Cartridge, table["cartridge"], "cartridge")
    if "radii" in table:
        radii = table["radii"]
        table["radii"] = (
            radius_set(radii) if isinstance(radii, str) else _record(Radii, radii, "radii")
        )
    for key, kind in (("feet", Foot), ("targets", Target)):
        rows = table.get(key, [])
        if not isinstance(rows, list):
            raise ValueError(f"{key}: got {rows!r}, allowed [[{key}]] tables")
        table[key] = tuple(_record(kind, row, key) for row in rows)
    return _record(Deck, table, "deck")


def _plain(record: Any) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for field in fields(record):
        value = getattr(record, field.name)
        if value is None or value == ():
            continue
        if isinstance(value, frozenset):
            value = sorted(value)
        elif isinstance(value, tuple):
            value = [_plain(v) if hasattr(v, "__dataclass_fields__") else v for v in value]
        elif hasattr(value, "__dataclass_fields__"):
            value = _plain(value)
        out[field.name] = value
    return out


def _record(kind: type[Any], table: Any, where: str) -> Any:
    if not isinstance(table, dict):
        raise ValueError(f"{where}: got {table!r}, allowed a table of fields")
    known = {field.name: field for field in fields(kind)}
    for key in table:
        if key not in known:
            raise ValueError(f"{where}: got unknown field {key!r}, allowed {', '.join(known)}")
    for name, field in known.items():
        needed = field.default is MISSING and field.default_factory is MISSING
        if needed and name not in table:
            if kind is Target and name in ("low", "high"):
                table = {**table, name: None}
                continue
            raise ValueError(f"{where}: field {name!r} is missing")
    return kind(**{k: _value(known[k], v, f"{where} {k}") for k, v in table.items()})


def _value(field: Field[Any], value: Any, where: str) -> Any:
    kind = str(field.type)
    if kind.startswith("float"):
        if isinstance(value, bool) or not isinstance(value, int | float):
            if value is None and "None" in kind:
                return None
            raise ValueError(f"{where}: got {value!r}, allowed a number")
        return _float(value, where)
    if kind == "bool" and not isinstance(value, bool):
        raise ValueError(f"{where}: got {value!r}, allowed true or false")
    if kind == "str" and not isinstance(value, str):
        raise ValueError(f"{where}: got {value!r}, allowed a text in quotes")
    if kind.startswith("frozenset"):
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise ValueError(f"{where}: got {value!r}, allowed a list of names")
        return frozenset(value)
    if kind.startswith("tuple[float"):
        numbers = isinstance(value, list) and all(
            isinstance(v, int | float) and not isinstance(v, bool) for v in value
        )
        if not numbers:
            raise ValueError(f"{where}: got {value!r}, allowed a list of numbers")
        return tuple(_float(v, where) for v in value)
    return value


def _float(value: float, where: str) -> float:
    try:
        return float(value)
    except OverflowError as problem:
        raise ValueError(f"{where}: got a number too large to be one") from problem
