"""Reading a scan: its form and its elements, before anyone asks what part it names."""

from __future__ import annotations

import re

from partkin.rules.identification.digital_link import is_digital_link, read_digital_link
from partkin.rules.identification.element_strings import read_element_string
from partkin.rules.identification.envelopes import is_envelope, read_envelope
from partkin.rules.identification.readings import GS, Reading, ScanError, in_words
from partkin.rules.identification.symbology import (
    ELEMENT_STRING_CARRIERS,
    carries_gtin,
    read_gtin_symbol,
    split_symbology,
)

_NOT_PLAIN = re.compile("[^ -~]")
_NOT_PLAIN_UNMARKED = re.compile("[^ -~\x1d]")


def read_scan(raw: str | bytes) -> Reading:
    """Take a scan apart, as a reader sends it, with or without a symbology identifier, FNC1 as GS.

    What the symbology identifier, a leading FNC1, an envelope or a web address with a GS1 key marks as such is read as
    such or refused; everything else is plain text. Carriage return and line feed at the end, which many readers add,
    are left out. Raises ScanError: unreadable, check-character-wrong.
    """
    scan = (raw.decode("latin-1") if isinstance(raw, bytes) else raw).rstrip("\r\n")
    symbology, text = split_symbology(scan)
    offset = len(scan) - len(text)
    if symbology in ELEMENT_STRING_CARRIERS or (symbology is None and text.startswith(GS)):
        return Reading("gs1", symbology, read_element_string(text, offset), text)
    if symbology and carries_gtin(symbology, text):
        return Reading("gs1", symbology, read_gtin_symbol(symbology, text, offset), text)
    if is_envelope(text):
        form, elements = read_envelope(text, offset)
        return Reading(form, symbology, elements, text)
    if text[:4].lower() == "http" and is_digital_link(text):
        return Reading("digital link", symbology, read_digital_link(text, offset), text)
    if not scan:
        raise ScanError("unreadable", "The scan is empty.")
    # Without a symbology identifier a separator within may yet show that this is an element string.
    if bad := (_NOT_PLAIN if symbology else _NOT_PLAIN_UNMARKED).search(text):
        sentence = f"The label has {in_words(bad[0])}; only printable ASCII characters are read."
        raise ScanError("unreadable", sentence, offset + bad.start() + 1)
    return Reading("plain", symbology, (), text)
