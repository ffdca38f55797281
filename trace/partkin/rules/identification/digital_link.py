"""GS1 Digital Link URIs: the same elements in a web address, a primary key and its qualifiers in the path.

Source: GS1 Digital Link Standard: URI Syntax. Only the uncompressed form, with numeric identifiers and GTINs of 14
digits.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from urllib.parse import unquote

from partkin.rules.identification.application_identifiers import APPLICATION_IDENTIFIERS, PRIMARY_KEYS
from partkin.rules.identification.element_strings import check_association
from partkin.rules.identification.readings import Element, ScanError, in_words

_URI = re.compile(
    r"(?:https?|HTTPS?)://[A-Za-z0-9.:\[\]-]+(?P<path>/[^?#]*)(?:\?(?P<query>[^#]*))?(?:#.*)?", flags=re.DOTALL
)
_FOREIGN = re.compile(r"[^A-Za-z0-9._~:/?#\[\]@!$&'()*+,;=%-]|%(?![0-9A-Fa-f]{2})")


@dataclass(frozen=True, slots=True)
class _Field:
    """An identifier with its value as written."""

    ai: str
    written: str
    at: int
    """Index of the value in the URI."""
    in_query: bool

    @property
    def place(self) -> int:
        """Of the identifier in the URI, from 1."""
        return self.at - len(self.ai)


def is_digital_link(text: str) -> bool:
    """Whether a text is a web address with a GS1 primary key in its path."""
    found = _URI.fullmatch(text)
    return found is not None and _key_index(found["path"].split("/")) is not None


def read_digital_link(text: str, offset: int) -> tuple[Element, ...]:
    """Read a URI that begins after `offset` characters of the raw scan. Raises ScanError."""
    if foreign := _FOREIGN.search(text):
        sentence = f"{in_words(foreign[0])} cannot stand in a web address as it is."
        raise ScanError("unreadable", sentence, offset + foreign.start() + 1)
    found = _URI.fullmatch(text)
    if found is None:
        raise ScanError("unreadable", "This is no GS1 Digital Link: no web address with a path.", offset + 1)
    path = list(_path_fields(found["path"], found.start("path"), offset))
    key, qualifiers = path[0].ai, tuple(field.ai for field in path[1:])
    _check_qualifiers(key, qualifiers, offset + path[0].place)
    fields = path + list(_query_fields(found["query"] or "", found.start("query")))
    elements: list[Element] = []
    for field in fields:
        if field.in_query:
            _check_attribute(key, qualifiers, field, offset)
        if any(field.ai == element.key for element in elements):
            raise _misplaced(field, "stands there twice", offset)
        elements.append(Element(field.ai, _value(field, offset)))
    check_association(elements, [offset + field.place for field in fields])
    return tuple(elements)


def _key_index(segments: list[str]) -> int | None:
    """Index of the rightmost segment that is a primary key, pairs being counted from the end of the path."""
    return next((index for index in range(len(segments) - 2, 0, -2) if segments[index] in PRIMARY_KEYS), None)


def _path_fields(path: str, start: int, offset: int) -> Iterator[_Field]:
    segments = path.split("/")
    index = _key_index(segments)
    if index is None:
        raise ScanError("unreadable", "This web address has no GS1 key in its path.", offset + start + 1)
    at = start + sum(len(segment) + 1 for segment in segments[:index])
    for ai, written in zip(segments[index::2], segments[index + 1 :: 2], strict=True):
        yield _Field(ai, written, at + len(ai) + 1, in_query=False)
        at += len(ai) + len(written) + 2


def _query_fields(query: str, start: int) -> Iterator[_Field]:
    """Parameters with a number for a name; others are for the web server."""
    at = start
    for parameter in query.split("&"):
        name, equals, written = parameter.partition("=")
        if equals and re.fullmatch("[0-9]+", name):
            yield _Field(name, written, at + len(name) + 1, in_query=True)
        at += len(parameter) + 1


def _sequences(key: str) -> tuple[tuple[str, ...], ...]:
    return APPLICATION_IDENTIFIERS[key].qualifiers or ()


def _fits(qualifiers: tuple[str, ...], sequence: tuple[str, ...]) -> bool:
    """Whether the qualifiers are some of the sequence, in its order."""
    rest = iter(sequence)
    return all(qualifier in rest for qualifier in qualifiers)


def _check_qualifiers(key: str, qualifiers: tuple[str, ...], place: int) -> None:
    if qualifiers and not any(_fits(qualifiers, sequence) for sequence in _sequences(key)):
        allowed = " or ".join(", ".join(f"({ai})" for ai in sequence) for sequence in _sequences(key)) or "nothing"
        shown = ", ".join(f"({ai})" if ai.isdigit() else repr(ai) for ai in qualifiers)
        sentence = (
            f"{APPLICATION_IDENTIFIERS[key].named} is followed by {shown} where {allowed} may follow in this order."
        )
        raise ScanError("unreadable", sentence, place)


def _check_attribute(key: str, qualifiers: tuple[str, ...], field: _Field, offset: int) -> None:
    rule = APPLICATION_IDENTIFIERS.get(field.ai)
    if rule is None:
        raise _misplaced(field, "is no GS1 application identifier", offset)
    belongs_in_path = any(field.ai in sequence and set(qualifiers) <= set(sequence) for sequence in _sequences(key))
    if not rule.attribute or belongs_in_path:
        raise _misplaced(field, "must not stand in the query of a GS1 Digital Link", offset)


def _misplaced(field: _Field, words: str, offset: int) -> ScanError:
    return ScanError("unreadable", f"({field.ai}) {words}.", offset + field.place)


def _value(field: _Field, offset: int) -> str:
    # A plus sign is a space in a query only (HTML form encoding).
    written = field.written.replace("+", " ") if field.in_query else field.written
    value = unquote(written, encoding="latin-1")
    rule = APPLICATION_IDENTIFIERS[field.ai]
    if fault := rule.fault(value, 0, len(value)):
        place = field.at + _written_index(field.written, fault.at) + 1 if value else field.place
        raise ScanError(fault.reason, f"{rule.named} {fault.words}.", offset + place)
    return value


def _written_index(written: str, index: int) -> int:
    """Where a character of a value stands as written: %2F is one character."""
    at = 0
    for _ in range(index):
        at += 3 if written.startswith("%", at) else 1
    return at
