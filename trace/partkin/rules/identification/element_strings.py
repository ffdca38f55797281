"""GS1 element strings: application identifiers and values in a row, a separator after those of variable length.

Source: GS1 General Specifications 7.8 (separators) and 4.13 (what may stand together).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from partkin.rules.identification.application_identifiers import (
    AI_LENGTHS,
    APPLICATION_IDENTIFIERS,
    ApplicationIdentifier,
)
from partkin.rules.identification.readings import GS, Element, ScanError, in_words

_SERIAL_COMPONENT_AFTER = {"253": 13, "255": 13, "8003": 14}
"""Keys that are serialised only if longer than this: a digital signature (8030) needs one that is."""


def read_element_string(text: str, offset: int) -> tuple[Element, ...]:
    """Read a whole element string that begins after `offset` characters of the raw scan.

    A separator in front is taken for FNC1. Raises ScanError.
    """
    elements, places = split(text, offset)
    check_association(elements, places)
    return tuple(elements)


def split(text: str, offset: int) -> tuple[list[Element], list[int]]:
    """The elements, each right in itself, and the places of their identifiers in the raw scan. Raises ScanError."""
    elements: list[Element] = []
    places: list[int] = []
    at = 1 if text.startswith(GS) else 0
    if at == len(text):
        raise ScanError("unreadable", "The scan holds no GS1 element.")
    while at < len(text):
        rule = _rule_at(text, at, offset)
        start = at + len(rule.ai)
        end = _end_of_value(text, start, rule)
        if fault := rule.fault(text, start, end):
            # An empty value has no place of its own: the identifier's last digit stands for it.
            place = offset + min(fault.at, end - 1) + 1
            raise ScanError(fault.reason, f"{rule.named} {fault.words}.", place)
        elements.append(Element(rule.ai, text[start:end]))
        places.append(offset + at + 1)
        # A separator is tolerated after a value of predefined length, too (GenSpecs 7.8.5).
        at = end + 1 if text.startswith(GS, end) else end
    return elements, places


def _rule_at(text: str, at: int, offset: int) -> ApplicationIdentifier:
    length = AI_LENGTHS.get(text[at : at + 2], 2)
    written = text[at : at + length]
    rule = APPLICATION_IDENTIFIERS.get(written)
    if rule is None:
        shown = f"{written!r}" if written.isprintable() else in_words(written[0])
        raise ScanError("unreadable", f"{shown} is no GS1 application identifier.", offset + at + 1)
    return rule


def _end_of_value(text: str, start: int, rule: ApplicationIdentifier) -> int:
    separator = text.find(GS, start)
    end = len(text) if separator < 0 else separator
    return min(end, start + rule.length) if rule.predefined_length else end


def check_association(elements: Sequence[Element], places: Sequence[int]) -> None:
    """Raise ScanError, naming the element, unless all may stand together as one message."""
    values: dict[str, str] = {}
    for element, place in zip(elements, places, strict=True):
        if values.setdefault(element.key, element.value) != element.value:
            named = APPLICATION_IDENTIFIERS[element.key].named
            first = values[element.key]
            raise ScanError("unreadable", f"{named} stands there twice, with {first} and {element.value}.", place)
    if fault := _association_fault(tuple(values)):
        ai, sentence = fault
        raise ScanError("unreadable", sentence, _place_of(ai, elements, places))
    if "8030" in values:
        _check_signed_key(values, elements, places)


def _place_of(ai: str, elements: Sequence[Element], places: Sequence[int]) -> int:
    return next(place for element, place in zip(elements, places, strict=True) if element.key == ai)


@lru_cache(maxsize=1024)
def _association_fault(ais: tuple[str, ...]) -> tuple[str, str] | None:
    """The identifier that others forbid, or that lacks others, with a sentence; labels repeat a few combinations."""
    present = frozenset(ais)
    for ai in ais:
        rule = APPLICATION_IDENTIFIERS[ai]
        if forbidden := sorted(rule.never & present):
            other = APPLICATION_IDENTIFIERS[forbidden[0]]
            return ai, f"{rule.named} must not stand together with {other.named}."
        if rule.needs and not any(all(one & present for one in alternative) for alternative in rule.needs):
            return ai, f"{rule.named} needs {_in_words(rule)} on the same label."
    return None


def _in_words(rule: ApplicationIdentifier) -> str:
    return ", or ".join(" with ".join(f"({min(one)})" for one in alternative) for alternative in rule.needs)


def _check_signed_key(values: dict[str, str], elements: Sequence[Element], places: Sequence[int]) -> None:
    for ai, length in _SERIAL_COMPONENT_AFTER.items():
        if ai in values and len(values[ai]) <= length:
            named = APPLICATION_IDENTIFIERS[ai].named
            sentence = f"{named} needs its serial component under a digital signature (8030)."
            raise ScanError("unreadable", sentence, _place_of(ai, elements, places))
