"""Plain tables (of TOML or JSON) into declared types; what does not fit is refused with the place where it stands.

A file's form is a :class:`Declared` with one field for each of its keys; msgspec does the reading.  What can be
read and not be meant is refused by the class's own :meth:`Declared.check`, at the same place.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any, ClassVar, Self, TypeVar

import msgspec
from msgspec import Meta, inspect, structs

from gapvision.errors import GapvisionError
from gapvision.units import parse_length

T = TypeVar("T")
_AT = re.compile(r" - at (?:`key` in )?`\$(?P<path>[^`]*)`$")
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


class Refused(ValueError):
    """A refusal on its way out of msgspec, which adds the place."""

    def __init__(self, message: str, next_step: str = "", code: str = "", path: str = "") -> None:
        super().__init__(message)
        self.message, self.next_step, self.code, self.path = message, next_step, code, path


@contextmanager
def at(path: str) -> Iterator[None]:
    """Say of refusals inside :meth:`Declared.check` where below this table they belong, like ``.seams[0]``."""
    try:
        yield
    except GapvisionError as error:
        raise Refused(error.message, error.next_step, error.code, path) from None


class Declared(msgspec.Struct, forbid_unknown_fields=True, kw_only=True):
    """A table whose keys are this class's fields."""

    def check(self) -> None:
        """Refuse what can be read but not be meant, with a GapvisionError."""

    def __post_init__(self) -> None:
        with at(""):
            self.check()

    def to(self, kind: type[T], **changes: Any) -> T:
        """Make a type of the same fields."""
        return kind(**(structs.asdict(self) | changes))


class Length(float):
    """A length [mm], written with its unit like ``4.76mm`` or ``3/16in``."""

    #: Code of a refusal, where it is not the file's; whether a bare number is taken as millimetres.
    code: ClassVar[str] = ""
    bare_mm: ClassVar[bool] = False

    @classmethod
    def read(cls, value: Any) -> Self:
        """Read what stands in a file."""
        number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300
        if cls.bare_mm and number:
            return cls(value)
        bare = number or (isinstance(value, str) and re.fullmatch(r"[+-]?\d+(?:[.,]\d*)?", value.strip()))
        if bare:
            raise Refused(f"{shown(value)} has no unit.", f'Write it with its unit, like "{value}mm".', cls.code)
        if not isinstance(value, str) or len(value) > _MOST_CHARACTERS:
            raise Refused(f"{shown(value)} is not a length.", 'Write it like "4.76mm" or "3/16in".', cls.code)
        try:
            return cls(parse_length(value))
        except GapvisionError as error:
            raise Refused(error.message, error.next_step, cls.code) from None


#: A place in the panel's plane, or how far back and on.
Pair = Annotated[tuple[Length, Length], Meta(examples=['["-100mm", "40mm"]'])]
Name = Annotated[str, Meta(min_length=1)]


def read_declared(kind: type[T], data: Any, where: str, code: str, *, path: str = "", next_step: str = "") -> T:
    """Read plain data into a declared type.

    Parameters
    ----------
    kind : type
        A :class:`Declared`, or a list of them.
    data : object
        As tomllib or JSON give it.
    where : str
        What to call the whole in a refusal, like ``'bonnet.toml'``.
    code : str
        Of refusals of what cannot be read.
    path : str
        Where ``data`` lies in the whole, like ``seams[0].spec``.
    next_step : str
        Advice in place of how to write the line.

    Raises
    ------
    GapvisionError
        With the place in its sentence.
    """
    try:
        return inner(kind, data)
    except Refused as error:
        words = error.message
        if words[:1].isupper() and not words[1:2].isupper():
            words = words[0].lower() + words[1:]
        message = f"{place(where, path + error.path)}: {words}"
        raise GapvisionError(error.code or code, message, next_step or error.next_step) from None


def place(where: str, path: str = "") -> str:
    """How a sentence starts that names a place in a file."""
    words = ", ".join(filter(None, (where, path.removeprefix("."))))
    return words[:1].upper() + words[1:]


def inner(kind: type[T], data: Any) -> T:
    """Read data inside a ``read`` method, so that the place is passed on."""
    try:
        return msgspec.convert(data, kind, dec_hook=lambda custom, value: custom.read(value))
    except RecursionError:
        raise Refused("The tables lie too deep in each other.") from None
    except msgspec.ValidationError as error:
        found = _AT.search(str(error))
        path, text = (found["path"], str(error)[: found.start()]) if found else ("", str(error))
        cause = error.__cause__
        if isinstance(cause, Refused):
            raise Refused(cause.message, cause.next_step, cause.code, path + cause.path) from None
        if cause is not None:
            raise cause from None  # a fault of the program, not of the file
        message, advice = _in_words(text, path, _kind_at(kind, path), _value_at(data, path))
        raise Refused(message, advice, path=path) from None


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


def _in_words(text: str, path: str, kind: Any, value: Any) -> tuple[str, str]:
    """Say msgspec's ``text`` in a sentence, and what to do."""
    if text.startswith("Object contains unknown field"):
        name = text.split("`", 1)[1][:-1]
        known = [f.encode_name for f in getattr(kind, "fields", ())]
        near = difflib.get_close_matches(name, known, 1, 0.5)
        advice = f"Did you mean '{near[0]}'? " if near else ""
        listed = ", ".join(k for k in sorted(known) if k != "format")
        return f"The line {shown(name)} is not known.", f"{advice}Known lines: {listed}."
    if text.startswith("Object missing required field"):
        return f"'{text.split('`')[1]}' is missing.", ""
    if text.startswith("Invalid enum value"):
        return f"{shown(value)} is not known here.", f"Write {' or '.join(str(v) for v in kind.values)}."
    advice = ""
    if isinstance(kind, inspect.ListType | inspect.VarTupleType) and isinstance(
        _plain(kind.item_type), inspect.StructType
    ):
        heading = re.sub(r"\[[^]]*\]", "", path).removeprefix(".")
        advice = f"Write each under [[{heading}]]."
    elif isinstance(kind, inspect.Metadata) and kind.extra_json_schema:
        advice = f"Write it like {kind.extra_json_schema['examples'][0]}."
    if found := re.fullmatch(r"Expected `array` of length (>= )?(\d+)(?:, got (\d+))?", text):
        return f"A list of {found[2]}{' or more' if found[1] else ''} is expected here.", advice
    if text.startswith("Expected `str` of length"):
        return ("The text is empty." if ">=" in text else "The text is too long."), advice
    if found := re.fullmatch(r"Expected `([^`]*)`, got `[^`]*`", text):
        words = [_WORDS[w] for w in found[1].split(" | ") if w in _WORDS]
        return f"{' or '.join(words)} is expected, not {shown(value)}.", advice
    return f"{shown(value)} cannot stand here.", advice


def _some(kind: Any) -> Any:
    """Of 'this, a text or nothing': this."""
    if isinstance(kind, inspect.UnionType):
        kind = next((k for k in kind.types if not isinstance(k, inspect.NoneType | inspect.StrType)), kind.types[0])
    return kind


def _plain(kind: Any) -> Any:
    """The same without the notes on a type."""
    kind = _some(kind)
    return _some(kind.type) if isinstance(kind, inspect.Metadata) else kind


def _kind_at(kind: Any, path: str) -> Any:
    """The declared type at a place."""
    kind = inspect.type_info(kind)
    for field, _ in re.findall(r"\.(\w+)|(\[[^]]*\])", path):
        inside = _plain(kind)
        if field:
            kind = next((f.type for f in getattr(inside, "fields", ()) if f.encode_name == field), None)
        else:
            kind = getattr(inside, "item_type", None)
    return _some(kind)


def _value_at(data: Any, path: str) -> Any:
    """What stands at a place."""
    try:
        for field, index in re.findall(r"\.(\w+)|\[(\d+)\]", path):
            data = data[field] if field else data[int(index)]
    except (KeyError, IndexError, TypeError):
        return None
    return data
