"""Fields of the files that users write: text in, values out, and a JSON Schema for editors.

1. A field is `Annotated[type, FromText(...)]`: one function makes its value, one dict describes its text.
2. `read_section` reads a section by a pydantic model and raises the first error, by line, as `BadInput`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import Enum
from fractions import Fraction
from typing import Annotated, Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from stepwitness.axis import Axis
from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.files import Section, Text, plain, quoted, shape
from stepwitness.quantities import Kind, exact, finite, in_unit, split

_BAD_INPUT = "bad_input"
_NAME = re.compile(r"[A-Za-z0-9_-]+")
_WHOLE = re.compile(r"[+-]?[0-9]{1,18}")
_YES_NO = {"yes": True, "true": True, "no": False, "false": False}

NUMBER_PATTERN = r"[+\-−]?\s*(\d+\s*/\s*\d+|\d+(\.\d*)?([eE][+\-]?\d+)?|\.\d+([eE][+\-]?\d+)?)"


class Strict(BaseModel):
    """Base of all sections: no unknown keys, immutable."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)


@dataclass(frozen=True, eq=False)
class FromText:
    """How the text of one scalar becomes a value.

    Both functions raise `BadInput`. `with_axis` is called instead of `convert` where an axis is known (in a plan);
    `schema` is the JSON Schema of what may be typed.
    """

    convert: Callable[[str], Any]
    schema: Mapping[str, Any]
    with_axis: Callable[[str, Axis], Any] | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_plain_validator_function(self._validate)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return dict(self.schema)

    def _validate(self, value: Any, info: core_schema.ValidationInfo) -> Any:
        try:
            if not isinstance(value, str):
                raise BadInput(f"{shape(value)} where a value belongs", allowed=example_of(self.schema))
            if not value:
                raise BadInput("nothing stands after the key", allowed=example_of(self.schema))
            axis = (info.context or {}).get("axis")
            return self.with_axis(value, axis) if self.with_axis and axis else self.convert(value)
        except BadInput as err:
            raise as_pydantic(err) from None


def as_pydantic(err: BadInput, key: str = "") -> PydanticCustomError:
    """`err` in a form that pydantic carries to the place of its field, or one `key` below it."""
    return PydanticCustomError(
        _BAD_INPUT,
        "{problem}",
        {"problem": err.problem, "found": err.found, "allowed": err.allowed, "cure": err.cure, "key": key},
    )


def example_of(schema: Mapping[str, Any]) -> str:
    """What a schema allows, in a few words."""
    if "enum" in schema:
        return ", ".join(str(word) for word in schema["enum"])
    examples = ", ".join(str(word) for word in schema.get("examples", ()))
    return f"such as {examples}" if examples else "a text"


# -- kinds of fields ---------------------------------------------------------------------------------------


def quantity(
    kind: Kind,
    *,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
    as_fraction: bool = False,
) -> FromText:
    """A quantity in SI, as a float or exactly. Travel may be in steps or counts where an axis is known."""

    def bounded(value: Fraction, text: str) -> float | Fraction:
        check_bounds(value, text, kind, above=above, at_least=at_least, at_most=at_most)
        return value if as_fraction else finite(value, text)

    def convert(text: str) -> float | Fraction:
        return bounded(exact(text, kind), text)

    def with_axis(text: str, axis: Axis) -> float | Fraction:
        return bounded(axis.travel(text), text)

    return FromText(convert, quantity_schema(kind), with_axis if kind is Kind.TRAVEL else None)


def check_bounds(
    value: Fraction | float,
    text: str,
    kind: Kind | None,
    *,
    above: float | None = None,
    at_least: float | None = None,
    at_most: float | None = None,
) -> None:
    """Raise `BadInput` where `value` (SI) lies outside its bounds, which are told in the unit of the examples."""
    unit = split(kind.example.split(", ")[0]).unit if kind and kind is not Kind.RATIO else ""

    def told(bound: float) -> str:
        return f"{in_unit(bound, unit, kind):g} {unit}" if kind and unit else f"{bound:g}"

    if above is not None and value <= above:
        raise BadInput("too small", found=quoted(text), allowed=f"more than {told(above)}")
    if at_least is not None and value < Fraction(str(at_least)):
        raise BadInput("too small", found=quoted(text), allowed=f"at least {told(at_least)}")
    if at_most is not None and value > Fraction(str(at_most)):
        raise BadInput("too large", found=quoted(text), allowed=f"at most {told(at_most)}")


def quantity_schema(kind: Kind, *, steps: bool = False) -> dict[str, Any]:
    """JSON Schema of a quantity's text; with `steps` also in steps, microsteps and counts."""
    examples = kind.example.split(", ")
    if kind in (Kind.RATIO, Kind.COUNT):
        unit = r"\s*(%|ppm)?" if kind is Kind.RATIO else ""
        text = {"type": "string", "pattern": f"^{NUMBER_PATTERN}{unit}$"}
        return {"anyOf": [{"type": "number"}, text], "examples": examples}
    if steps:
        examples.append("1 step")
    text = {"type": "string", "pattern": rf"^{NUMBER_PATTERN}\s*\S.*$"}
    return {"anyOf": [text, {"const": 0}, {"const": "0"}], "examples": examples}


def whole(*, at_least: int | None = None, at_most: int | None = None) -> FromText:
    """A whole number."""

    def convert(text: str) -> int:
        if not _WHOLE.fullmatch(text):
            raise BadInput("not a whole number", found=quoted(text), allowed="such as 3")
        check_bounds(int(text), text, None, at_least=at_least, at_most=at_most)
        return int(text)

    bounds = {"minimum": at_least, "maximum": at_most}
    number = {"type": "integer"} | {name: bound for name, bound in bounds.items() if bound is not None}
    return FromText(convert, {"anyOf": [number, {"type": "string", "pattern": "^[+-]?[0-9]+$"}], "examples": [3]})


def word(words: type[Enum] | Iterable[str], *, by_name: bool = False) -> FromText:
    """One of a few words: a member of an enum (by value, or by name), or the word itself."""
    members: dict[str, Any]
    if isinstance(words, type):
        members = {(member.name if by_name else str(member.value)): member for member in words}
    else:
        members = {text: text for text in words}

    def convert(text: str) -> Any:
        if text not in members:
            raise not_among(text, members)
        return members[text]

    return FromText(convert, {"enum": list(members)})


def not_among(text: str, words: Iterable[str]) -> BadInput:
    """The error for a text that isn't one of `words`, with the near miss whatever its case."""
    words = list(words)
    close = near_miss(text, words) or near_miss(text.upper(), words)
    return BadInput("not one of its words", found=quoted(text), allowed=", ".join(words), cure=close)


def _name(text: str) -> str:
    if not _NAME.fullmatch(text):
        raise BadInput("not a name", found=quoted(text), allowed="letters A-Z a-z, digits, _ and -")
    return text


def _yes_no(text: str) -> bool:
    answer = _YES_NO.get(text.lower())
    if answer is None:
        raise BadInput("neither yes nor no", found=quoted(text), allowed="yes, no")
    return answer


def _date(text: str) -> date:
    allowed = "year-month-day such as 2027-03-01"
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        raise BadInput("not a date", found=quoted(text), allowed=allowed)
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadInput("not a day of the calendar", found=quoted(text), allowed=allowed) from None


_YES_NO_SCHEMA = {
    "anyOf": [
        {"enum": ["yes", "no"]},
        {"type": "boolean"},
        {"type": "string", "pattern": "^([Yy]es|YES|[Nn]o|NO|[Tt]rue|TRUE|[Ff]alse|FALSE)$"},
    ],
    "examples": ["yes", "no"],
}


def yes_no() -> FromText:
    """Yes or no, true or false, in any case."""
    return FromText(_yes_no, _YES_NO_SCHEMA)


def any_text(*examples: str) -> FromText:
    """Any text, kept as typed."""
    return FromText(lambda text: text, {"type": ["string", "number", "boolean"], "examples": list(examples)})


def a_name(*examples: str) -> FromText:
    """A name that may stand in test ids and folder names."""
    schema = {"type": ["string", "integer"], "pattern": "^[A-Za-z0-9_-]+$", "examples": list(examples)}
    return FromText(_name, schema)


Name = Annotated[str, a_name("rig-1")]
Certificate = Annotated[str, any_text("TB-0031")]
YesNo = Annotated[bool, yes_no()]
Day = Annotated[
    date,
    FromText(_date, {"type": "string", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$", "examples": ["2027-03-01"]}),
]


# -- reading a section by a model --------------------------------------------------------------------------

Model = TypeVar("Model", bound=BaseModel)


def read_section(model: type[Model], section: Section, *, axis: Axis | None = None) -> Model:
    """`section` as an instance of `model`.

    Raises
    ------
    BadInput : the first thing that is wrong, by line.
    """
    try:
        return model.model_validate(plain(section), context={"axis": axis})
    except ValidationError as err:
        errors = [_translated(item, model, section) for item in err.errors(include_url=False)]
    raise min(errors, key=lambda item: item[0])[1]


def _translated(error: Any, model: type[BaseModel], section: Section) -> tuple[tuple[int, bool], BadInput]:
    """One error of pydantic as ours, with the key by which errors are put in order."""
    path: tuple[str | int, ...] = error["loc"]
    context = error.get("ctx", {})
    if error["type"] == _BAD_INPUT:
        path += (context["key"],) if context["key"] else ()
        place = section.where(*path)
        bad = BadInput(
            context["problem"],
            place=place,
            found=context["found"],
            allowed=context["allowed"],
            cure=context["cure"],
        )
        return (place.line, False), bad
    parent = section.node(*path[:-1])
    known = keys_of(_model_at(model, path[:-1]))
    present = set(parent.entries) if isinstance(parent, Section) else set()
    place = section.where(*path)
    if error["type"] == "missing":
        key = str(path[-1])
        field = _field_at(_model_at(model, path[:-1]), key)
        bad = BadInput(
            f"the key '{key}' is missing",
            place=place,
            allowed=_example_of_field(field),
            cure=near_missing(key, present - set(known)),
        )
        return (parent.last_line if isinstance(parent, Section) else place.line, True), bad
    if error["type"] == "extra_forbidden":
        key = str(path[-1])
        return (place.line, False), unknown_key(key, place, [word for word in known if word not in present])
    found = section.node(*path)
    if error["type"] == "too_short":
        return (place.line, False), BadInput("an empty list", place=place)
    wanted = "a list belongs" if error["type"].startswith(("list", "tuple")) else "keys and values belong"
    if isinstance(found, Text) and not found.value:
        bad = BadInput("nothing stands after the key", place=place, cure=f"{wanted} here")
    else:
        inside = keys_of(_model_at(model, path))
        each = "items with the keys" if wanted == "a list belongs" else "the keys"
        bad = BadInput(
            f"{shape(found)} where {wanted}",
            place=place,
            found=quoted(found.value) if isinstance(found, Text) else "",
            allowed=f"{each} {', '.join(inside)}" if inside else "",
        )
    return (place.line, False), bad


def unknown_key(key: str, place: Place, allowed: Iterable[str]) -> BadInput:
    """The error for a key that nothing knows, with the near miss among those that may still be written."""
    allowed = list(allowed)
    return BadInput(
        f"an unknown key '{key}'",
        place=place,
        allowed=", ".join(allowed) or "no more keys",
        cure=near_miss(key, allowed),
    )


def near_missing(key: str, strangers: Iterable[str]) -> str:
    """A hint where a missing key seems to be there under a misspelt name."""
    close = near_miss(key, sorted(strangers), cutoff=0.8)
    return close.replace("did you mean", "is it written as") if close else ""


def keys_of(model: type[BaseModel] | None) -> list[str]:
    """The keys that a section may have, as they are written."""
    return [item.alias or name for name, item in model.model_fields.items()] if model else []


def _model_at(model: type[BaseModel], path: Iterable[str | int]) -> type[BaseModel] | None:
    found: type[BaseModel] | None = model
    for step in path:
        if isinstance(step, int):
            continue
        field = _field_at(found, step)
        found = _model_in(field.annotation) if field else None
    return found


def _field_at(model: type[BaseModel] | None, key: str) -> FieldInfo | None:
    fields = model.model_fields if model else {}
    return next((item for name, item in fields.items() if (item.alias or name) == key), None)


def _example_of_field(field: FieldInfo | None) -> str:
    """What may stand after a key, from the `FromText` or the section that it declares."""
    declared = [item for item in field.metadata if isinstance(item, FromText)] if field else []
    if declared:
        return example_of(declared[0].schema)
    inside = keys_of(_model_in(field.annotation)) if field else []
    return f"a section with {', '.join(inside)}" if inside else ""


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((model for part in get_args(annotation) if (model := _model_in(part))), None)
