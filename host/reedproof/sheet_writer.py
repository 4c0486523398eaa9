"""Writes a plan into the user's layout sheet. Every byte outside that plan stays as it was."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import InlineTable, Table

from reedproof.files import write_whole
from reedproof.layout import Sheet, SheetError, checked_sheet, read_sheet
from reedproof.plan_tables import MAGNET_ANSWER
from reedproof.tables import parsed_toml, read_toml

AnyTable = Table | InlineTable


def save_plan(path: Path, name: str, values: Mapping[str, Any]) -> None:
    """Makes ``values`` the table [plan.``name``], at the end of the file where there is none yet.

    In a table that is there, lines of keys that hold what they held stay as they are, and comments stay but
    for those on the line of a key that goes or within a value that changes. Raises SheetError, also where
    the plan is written in a way that this cannot change; then the file is as it was.
    """
    text, data, _ = _read(path)
    wanted = {**data, "plan": {**data.get("plan", {}), name: dict(values)}}
    plan = tomlkit.parse(text).get("plan")
    if plan is not None and name in plan:
        texts = _with(text, plan[name], values)
    elif isinstance(plan, InlineTable):
        texts = _with(text, plan, {**plan, name: values})
    else:
        texts = iter([text + re.sub("\n", _line_end(text), f"\n[plan.{name}]\n{tomlkit.dumps(values)}")])
    _write(path, texts, wanted, f"in [plan]: {name} = {_inline(values).as_string()}")


def save_contact_plan(path: Path, contact: str, values: Mapping[str, Any]) -> None:
    """Makes ``values`` the key ``plan`` of a contact, behind its other keys where there is none yet; without
    values the key goes. What stays and what is raised is as with `save_plan`; ReedproofError where there is
    no such contact."""
    text, data, sheet = _read(path)
    at = sheet.place_of(contact)
    here = tomlkit.parse(text)["contacts"][at]
    is_table = isinstance(here.get("plan"), Table)
    contacts = list(data["contacts"])
    contacts[at] = {**contacts[at], "plan": dict(values)}
    if not (values or is_table):
        del contacts[at]["plan"]
    # The contact as a whole where it can be: it has a name, and plans of two contacts may read alike.
    texts = _with(text, here["plan"], values) if is_table else _with(text, here, contacts[at])
    by_hand = f"at the contact {contact!r}: plan = {_inline(values).as_string()}"
    _write(path, texts, {**data, "contacts": contacts}, by_hand)


def forget_contact_answers(path: Path) -> None:
    """Takes what was worked out for single contacts out of their plans, contact by contact. Raises
    SheetError."""
    for contact in read_sheet(path).contacts:
        if contact.plan is not None and contact.plan.model_fields_set & set(MAGNET_ANSWER):
            told = contact.plan.model_dump(mode="json", exclude_unset=True, exclude=set(MAGNET_ANSWER))
            save_contact_plan(path, contact.name, told)


def _read(path: Path) -> tuple[str, dict[str, Any], Sheet]:
    """The text, with an end to its last line, and what it holds. Raises SheetError."""
    data = read_toml(path, SheetError)
    sheet = checked_sheet(data, path, SheetError)
    text = path.read_bytes().decode("utf-8")
    return (text if text.endswith("\n") else text + _line_end(text)), data, sheet


def _line_end(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _inline(values: Mapping[str, Any]) -> InlineTable:
    table = tomlkit.inline_table()
    table.update(values)
    return table


def _with(text: str, table: AnyTable, values: Mapping[str, Any]) -> Iterator[str]:
    """The text with ``values`` in that table, for each place where the table's text stands."""
    before = table.as_string()
    _update(table, values, _line_end(before))
    after = table.as_string()
    for found in re.finditer(re.escape(before), text) if before else ():
        yield text[: found.start()] + after + text[found.end() :]


def _update(table: AnyTable, values: Mapping[str, Any], line_end: str) -> None:
    """Changes no more than what is other: a line that stays keeps the form that the user gave it."""
    for key in [key for key in table if key not in values]:
        del table[key]
    body = table.value.body
    for key, value in values.items():
        if key not in table:
            item = _inline(value) if isinstance(value, Mapping) else tomlkit.item(value)
            behind = []
            if isinstance(table, Table):
                item.trivia.trail = line_end
                # tomlkit counts what stands before the next table to this one; it is most often about that.
                while body and body[-1][0] is None:
                    behind.append(body.pop())
            table.append(key, item)
            body.extend(reversed(behind))
        elif isinstance(value, Mapping) and not isinstance(table[key], InlineTable):
            _update(table[key], value, line_end)
        elif table[key] != value:
            table[key] = _inline(value) if isinstance(value, Mapping) else value


def _write(path: Path, texts: Iterator[str], wanted: Mapping[str, Any], by_hand: str) -> None:
    """The first of the texts that means what is wanted."""
    checked_sheet(wanted, path, SheetError)
    text = next((each for each in texts if _means(each, path) == wanted), None)
    if text is None:
        raise SheetError(
            path,
            [
                "the plan is written in a way that cannot be changed without changing more; nothing was "
                f"saved, write it by hand, {by_hand}"
            ],
        )
    try:
        write_whole(path, text)
    except OSError as problem:
        raise SheetError(
            path, [f"cannot be written ({problem.strerror}); nothing was saved, choose another place"]
        ) from None


def _means(text: str, path: Path) -> dict[str, Any] | None:
    try:
        return parsed_toml(text, path, SheetError)
    except SheetError:
        return None
