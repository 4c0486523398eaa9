"""Writes a plan into the user's layout sheet and leaves the rest of it, comments and order, as it was."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Table

from reedproof.files import write_whole
from reedproof.layout import SheetError, checked_sheet, read_sheet
from reedproof.plan_tables import MAGNET_ANSWER
from reedproof.tables import parsed_toml


def save_plan(path: Path, name: str, values: Mapping[str, Any]) -> None:
    """Puts ``values`` in place of the table [plan.``name``]. Raises SheetError; then the file is as it
    was."""
    document = _document(path)
    plan = document.setdefault("plan", tomlkit.table(is_super_table=True))
    plan[name] = _filled(tomlkit.table(), values)
    _write(path, document)


def save_contact_plan(path: Path, contact: str, values: Mapping[str, Any]) -> None:
    """Puts ``values`` in place of the key ``plan`` of a contact. Raises SheetError; then the file is as it
    was."""
    document = _document(path)
    contacts = document["contacts"]
    assert isinstance(contacts, AoT)
    here = next((each for each in contacts if each["name"] == contact), None)
    if here is None:
        names = ", ".join(repr(each["name"]) for each in contacts)
        raise SheetError(path, [f"has no contact {contact!r}; expected one of {names}"])
    here["plan"] = _filled(tomlkit.inline_table(), values)
    _write(path, document)


def forget_contact_answers(path: Path) -> None:
    """Takes what was worked out for single contacts out of their plans. Raises SheetError; then the file is
    as it was."""
    document = _document(path)
    for contact in document["contacts"]:
        told = {key: value for key, value in contact.pop("plan", {}).items() if key not in MAGNET_ANSWER}
        if told:
            contact["plan"] = _filled(tomlkit.inline_table(), told)
    _write(path, document)


def _document(path: Path) -> tomlkit.TOMLDocument:
    read_sheet(path)
    return tomlkit.parse(path.read_text(encoding="utf-8"))


def _filled(table: Table | InlineTable, values: Mapping[str, Any]) -> Table | InlineTable:
    for key, value in values.items():
        table.append(key, value)
    return table


def _write(path: Path, document: tomlkit.TOMLDocument) -> None:
    text = tomlkit.dumps(document)
    checked_sheet(parsed_toml(text, path, SheetError), path, SheetError)
    try:
        write_whole(path, text)
    except OSError as problem:
        raise SheetError(
            path, [f"cannot be written ({problem.strerror}); nothing was saved, choose another place"]
        ) from None
