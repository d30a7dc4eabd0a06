"""Plain tables (of TOML or JSON) into declared types; what does not fit is refused with the place where it stands.

A file's form is a :class:`Declared` with one field for each of its keys; msgspec does the reading.  What can be
read and not be meant is refused by the class's own :meth:`Declared.check`, at the same place.  The way back, from a
type to what a file can hold, is :func:`plain_data`.
"""

from __future__ import annotations

import difflib
import math
import os
import re
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Annotated, Any, ClassVar, Self, TypeVar

import msgspec
import numpy as np
from msgspec import Meta, inspect

from gapvision.errors import GapvisionError, require
from gapvision.units import parse_length

T = TypeVar("T")
_AT = re.compile(r" - at (?:`key` in )?`\$(?P<path>[^`]*)`$")
_UNKNOWN = "Object contains unknown field"
_WORDS = {
    "str": "a text",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
}
#: No length, share or name that a person writes is longer.
_MOST_CHARACTERS = 60
#: Field of a type -> its name in files, where the two differ.
FILE_NAMES = {"expanded_u_mm": "u_mm", "expanded_u": "u"}
#: No file of the program has tables deeper in each other: what is far deeper could be read, but not written again.
_DEEPEST = 50
#: A length in a file is 0 or between these [mm]: no car is larger, no film thinner.
_LEAST_MM, _MOST_MM = 1e-9, 1e6


class Refused(ValueError):
    """A refusal on its way out of msgspec, which adds the place."""

    def __init__(self, message: str, next_step: str = "", code: str = "", path: str = "") -> None:
        super().__init__(message)
        self.message, self.next_step, self.code, self.path = message, next_step, code, path


class Declared(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """A table whose keys are this class's fields."""

    def check(self) -> None:
        """Refuse what can be read but not be meant, with a GapvisionError."""

    def __post_init__(self) -> None:
        try:
            self.check()
        except GapvisionError as error:
            raise Refused(error.message, error.next_step, error.code) from None

    def to(self, kind: type[T], **others: Any) -> T:
        """Make a dataclass of the fields of the same names and ``others``."""
        wanted: Any = kind
        return kind(**({name: getattr(self, name) for name in _shared(type(self), wanted)} | others))

    def but(self, *left_out: str) -> dict[str, Any]:
        """The fields as a dict, but for some."""
        return {name: getattr(self, name) for name in self.__struct_fields__ if name not in left_out}


@cache
def _shared(declared: type[Declared], kind: Any) -> tuple[str, ...]:
    """The names of the fields that a dataclass shares with a table's type."""
    return tuple(f.name for f in fields(kind) if f.name in declared.__struct_fields__)


class Loose(Declared, forbid_unknown_fields=False):
    """A table of a file that programs write: only the keys declared are looked at, others may be there."""


class Length(float):
    """A length [mm], written with its unit like ``4.76mm`` or ``3/16in``."""

    #: Code of a refusal, where it is not the file's.
    code: ClassVar[str] = ""

    @classmethod
    def read(cls, value: Any) -> Self:
        """Read what stands in a file."""
        number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300
        bare = number or (isinstance(value, str) and re.fullmatch(r"[+-]?\d+(?:[.,]\d*)?", value.strip()))
        if bare:
            raise Refused(f"{shown(value)} has no unit.", f'Write it with its unit, like "{value}mm".', cls.code)
        if not isinstance(value, str) or len(value) > _MOST_CHARACTERS:
            raise Refused(f"{shown(value)} is not a length.", 'Write it like "4.76mm" or "3/16in".', cls.code)
        try:
            length = cls(parse_length(value))
        except GapvisionError as error:
            raise Refused(error.message, error.next_step, cls.code) from None
        if length and not _LEAST_MM <= abs(length) <= _MOST_MM:
            said = f"{shown(value)} is not between 0.000000001 mm and 1000 m."
            raise Refused(said, "Check the number and its unit.", cls.code)
        return length

    @classmethod
    def written(cls, value: float, unit: str = "mm") -> str:
        """A length as it stands in a file, to the last digit; ``value-out-of-range`` if it could not be read back."""
        text = f"{np.format_float_positional(value, trim='-')}{unit}"
        try:
            cls.read(text)
        except Refused as error:
            said = f"{value:g} {unit} is no length for a file."
            raise GapvisionError("value-out-of-range", said, error.next_step) from None
        return text


#: A place in the panel's plane, or how far back and on.
Pair = tuple[Length, Length]
Name = Annotated[str, Meta(min_length=1)]


def read_declared(kind: type[T], data: Any, where: str, code: str, *, path: str = "") -> T:
    """Read plain data, as tomllib or JSON give it, into a declared type.

    Parameters
    ----------
    kind : type
        A :class:`Declared`, or a list of them.
    data : object
        What to read.
    where, path : str
        What to call the whole in a refusal, like ``'bonnet.toml'``; where in it ``data`` lies, like ``seams[0].spec``.
    code : str
        Of refusals of what cannot be read; each is a GapvisionError with the place in its sentence.
    """
    try:
        return inner(kind, data)
    except Refused as error:
        words = error.message
        if words[:1].isupper() and not words[1:2].isupper():
            words = words[0].lower() + words[1:]
        message = f"{place(where, path + error.path)}: {words}"
        by_hand = not (isinstance(kind, type) and issubclass(kind, Loose))  # else advice how to write it is of no use
        raise GapvisionError(error.code or code, message, error.next_step if by_hand else "") from None


def plain_data(value: Any, digits: int) -> Any:
    """What a JSON file can hold: rounded numbers, null for NaN and infinity, lists, and types as dicts."""
    if is_dataclass(value):
        return {FILE_NAMES.get(f.name, f.name): plain_data(getattr(value, f.name), digits) for f in fields(value)}
    if isinstance(value, dict):
        return {str(k): plain_data(v, digits) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain_data(v, digits) for v in value]
    if isinstance(value, np.ndarray | np.generic):
        return plain_data(value.tolist(), digits)
    if isinstance(value, float):
        return round(value, digits) if math.isfinite(value) else None
    return value if value is None or isinstance(value, int) else str(value)


def read_file(path: str | os.PathLike[str], most_bytes: int = -1) -> bytes:
    """A file's bytes, one more than ``most_bytes`` where it has too many.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``file-not-permitted``, ``file-is-folder``.
    """
    try:
        with open(path, "rb") as file:
            return file.read(most_bytes + 1 if most_bytes >= 0 else -1)
    except IsADirectoryError:
        raise GapvisionError("file-is-folder", f"'{path}' is a folder.", "Name one file.") from None
    except PermissionError:
        raise GapvisionError("file-not-permitted", f"'{path}' may not be read by this user.") from None
    except (OSError, ValueError):
        raise GapvisionError("file-not-found", f"'{path}' was not found.") from None


def read_json(data: bytes, where: str, code: str) -> Any:
    """Read JSON into plain data; arguments and errors as :func:`read_declared`."""
    try:
        found = msgspec.json.decode(data.removeprefix(b"\xef\xbb\xbf"))
    except (ValueError, RecursionError):
        raise GapvisionError(code, f"{place(where)} is not JSON that can be read.") from None
    level = [found]
    for _ in range(_DEEPEST):
        inside = (x for v in level for x in (v.values() if isinstance(v, dict) else v if isinstance(v, list) else ()))
        level = [x for x in inside if isinstance(x, dict | list)]
    require(code, not level, f"{place(where)}: the tables lie too deep in each other.")
    return found


def place(where: str, path: str = "") -> str:
    """How a sentence starts that names a place in a file."""
    words = ", ".join(filter(None, (where, path.removeprefix("."))))
    return words[:1].upper() + words[1:]


def inner(kind: type[T], data: Any) -> T:
    """Read data inside a ``read`` method, so that the place is passed on."""
    try:
        return msgspec.convert(data, kind, from_attributes=True, dec_hook=lambda custom, value: custom.read(value))
    except RecursionError:
        raise Refused("The tables lie too deep in each other.") from None
    except msgspec.ValidationError as error:
        cause, text = error.__cause__, str(error)
        found = _AT.search(text)
        path = found["path"] if found else ""
        if text.startswith(_UNKNOWN) and not hasattr(_kind_at(kind, path), "fields"):
            found, path = None, ""  # what looked like a place was the end of the unknown line's name
        if isinstance(cause, Refused):
            raise Refused(cause.message, cause.next_step, cause.code, path + cause.path) from None
        if cause is not None:
            raise cause from None  # a fault of the program, not of the file
        raise Refused(*_in_words(text[: found.start()] if found else text, kind, path), path=path) from None


def shown(value: Any) -> str:
    """A value as a refusal shows it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, int) and abs(value) > 10**20:
        return "a number of many digits"
    text = "".join(c if c.isprintable() else "?" for c in str(value))
    text = text if len(text) <= _MOST_CHARACTERS else text[:_MOST_CHARACTERS] + "…"
    return f"'{text}'" if isinstance(value, str) else text


def _in_words(text: str, kind: Any, path: str) -> tuple[str, str]:
    """Say msgspec's sentence in the words of a person, and what to do."""
    if text.startswith(_UNKNOWN):
        name, known = text.split("`", 1)[1][:-1], sorted(f.encode_name for f in _kind_at(kind, path).fields)
        near = difflib.get_close_matches(name, known, 1, 0.5)
        advice = f"Did you mean '{near[0]}'? " if near else ""
        return f"The line {shown(name)} is not known.", f"{advice}Known lines: {', '.join(known)}."
    if text.startswith("Object missing required field"):
        return f"'{text.split('`')[1]}' is missing.", ""
    if text.startswith("Invalid enum value"):
        known = [str(v) for v in _kind_at(kind, path).values]
        return f"{shown(text[20:-1])} is not known here.", f"Write {' or '.join(known)}."
    if found := re.fullmatch(r"Expected `([^`]*)`, got `(\w+)`", text):
        wanted = " or ".join(_WORDS[word] for word in found[1].split(" | ") if word in _WORDS)
        heading = re.sub(r"\[\d+\]", "", path).removeprefix(".")
        one = found[1].startswith("array") and found[2] == "object"
        advice = f"Write each under [[{heading}]]." if one else ""
        return f"{wanted} is expected, not {_WORDS.get(found[2], 'this')}.", advice
    if found := re.match(r"Expected `array` of length (>= |<= |)(\d+)", text):
        many = {">= ": " or more", "<= ": " at most", "": ""}[found[1]]
        return f"A list of {found[2]}{many} is expected here.", ""
    if found := re.match(r"Expected `(?:int|float)` (>=|<=|>|<) (\S+)", text):
        way = {">=": "of at least", "<=": "of at most", ">": "above", "<": "below"}[found[1]]
        return f"A number {way} {found[2]} is expected here.", ""
    if text.startswith("Expected `str` of length"):
        return ("The text is empty." if ">=" in text else "The text is too long."), ""
    return "What stands here is out of range.", ""


def _kind_at(kind: Any, path: str) -> Any:
    """The declared type at a place, without 'or a text', 'or nothing' and its limits; None where there is none."""

    def plain(kind: Any) -> Any:
        if isinstance(kind, inspect.Metadata):
            return plain(kind.type)
        if isinstance(kind, inspect.UnionType):
            return plain(next((k for k in kind.types if not isinstance(k, inspect.NoneType | inspect.StrType)), None))
        return kind

    kind = plain(inspect.type_info(kind))
    for field in re.findall(r"\.(\w+)|\[", path):
        inside = {f.encode_name: f.type for f in getattr(kind, "fields", ())}.get(field)
        kind = plain(inside if field else getattr(kind, "item_type", None))
    return kind
