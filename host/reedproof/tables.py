"""TOML files of the user's, read strictly: what is wrong is told with its file, key and what was expected."""

from __future__ import annotations

import sys
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Annotated, Any, ClassVar, TypeAlias, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from reedproof.errors import ReedproofError

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

Name: TypeAlias = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^\S(.*\S)?$")]
Positive: TypeAlias = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class TablesError(ReedproofError):
    """A file cannot be used. ``problems`` are all that is wrong with it, a line each; the text is the first
    of them, and the hint ``more`` if there are others."""

    more: ClassVar[str] = " (and {others} more)"

    def __init__(self, path: Path, problems: list[str]) -> None:
        self.problems = [f"{path}: {problem}" for problem in problems]
        others = len(problems) - 1
        super().__init__(self.problems[0] + (self.more.format(others=others, path=path) if others else ""))


class Table(BaseModel):
    """``alternatives``: groups of alternatives, an alternative being keys that are told together. Of each
    group one has to be told."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)
    alternatives: ClassVar[tuple[tuple[tuple[str, ...], ...], ...]] = ()

    @classmethod
    def set_aside(cls, told: Collection[str]) -> set[str]:
        """The keys that hold no longer once those of ``told`` are told instead."""
        return {
            key
            for group in cls.alternatives
            for chosen in group
            if not set(chosen).isdisjoint(told)
            for other in group
            if other is not chosen
            for key in other
        }

    @model_validator(mode="after")
    def _one_of_each_group(self) -> Table:
        for group in self.alternatives:
            given = {key: getattr(self, key) for each in group for key in each}
            told = [key for key, value in given.items() if value is not None]
            if set(told) not in map(set, group):
                ways = ", or ".join(" and ".join(each) for each in group)
                held = " and ".join(f"{key} {given[key]}" for key in told) or "none of them"
                raise ValueError(f"expected {ways}; there is {held}")
        return self


AnyTable = TypeVar("AnyTable", bound=Table)


def read_toml(path: Path, error: type[TablesError]) -> dict[str, Any]:
    """What the file holds, unchecked. Raises ``error`` when it is not there or not TOML."""
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as problem:
        raise error(path, [f"cannot be read ({problem.strerror}); check the name of the file"]) from None
    except UnicodeDecodeError:
        raise error(path, ["this is not text in UTF-8; save it again as such"]) from None
    return parsed_toml(text, path, error)


def parsed_toml(text: str, path: Path, error: type[TablesError]) -> dict[str, Any]:
    """What the text of a file holds, unchecked. Raises ``error`` when it is not TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise error(path, [f"this is not TOML: {problem}"]) from None


def checked(model: type[AnyTable], data: Mapping[str, Any], path: Path, error: type[TablesError]) -> AnyTable:
    """The file's content as ``model``. Raises ``error`` with everything that is wrong."""
    try:
        return model.model_validate(data)
    except ValidationError as problem:
        raise error(path, [told(each) for each in problem.errors()]) from None


# ---- what is wrong, in the user's words ----

#: What pydantic found -> what was expected; the names in braces are of its context.
_EXPECTED = {
    "missing": "this key is missing",
    "extra_forbidden": "there is no such key",
    "string_type": "expected text in quotes",
    "int_type": "expected a whole number",
    "float_type": "expected a number",
    "list_type": "expected a list in [ ]",
    "model_type": "expected a table",
    "model_attributes_type": "expected a table",
    "dict_type": "expected tables such as [boards.quarry]",
    "greater_than": "expected more than {gt:g}",
    "greater_than_equal": "expected at least {ge:g}",
    "less_than": "expected less than {lt:g}",
    "less_than_equal": "expected at most {le:g}",
    "finite_number": "expected a finite number",
    "literal_error": "expected {expected}",
    "enum": "expected {expected}",
    "too_short": "expected at least {min_length}",
    "value_error": "{error}",
    "string_too_short": "expected some text",
    "string_too_long": "expected at most {max_length} characters",
}
#: What a pattern means, by key.
_PATTERNS = {
    "scale": "expected a ratio such as '1:87'",
    "claim": "expected RELIABILITY@CONFIDENCE, both between 0 and 1, such as 0.999@0.95",
    "id": "expected the eight digits that 'reedproof boards' shows",
}


def _key(place: tuple[int | str, ...]) -> str:
    """('contacts', 3, 'input') -> 'contacts[4].input': people count from 1."""
    text = ""
    for part in place:
        text += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def told(error: Any) -> str:
    """One of pydantic's errors in the user's words: key, value, and what was expected."""
    place = tuple(part for part in error["loc"] if part != "[key]")
    kind = error["type"]
    if kind == "string_pattern_mismatch":
        expected = _PATTERNS.get(str(place[-1]), "expected a name without blanks around it")
    else:
        expected = _EXPECTED.get(kind, error["msg"]).format(**error.get("ctx", {}))
    if kind in ("missing", "extra_forbidden"):
        return f"{_key(place)}: {expected}"
    if kind == "value_error" and isinstance(error["input"], Mapping):  # keys that do not go together
        return f"{_key(place)}: {expected}".removeprefix(": ")
    return f"{_key(place)} holds {shown(error['input'])}; {expected}"


def shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
