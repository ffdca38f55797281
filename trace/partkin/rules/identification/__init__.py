"""Identification: from what a reader sent to the part, serial number and lot that it names.

A scan is GS1 data where its symbology identifier or a leading FNC1 (GS) says so, a GS1 Digital Link where it is a web
address with a GS1 key in its path, an ISO/IEC 15434 envelope where it begins like one. All of these are read by their
standard or refused. Everything else is plain text, which means what the label rules of the catalogue's parts make of
it; only plain text without symbology identifier that no rule fits is tried as an element string.
"""

from partkin.rules.identification.labels import Labels
from partkin.rules.identification.named import Named
from partkin.rules.identification.naming import name_item
from partkin.rules.identification.readings import Element, Reading, ScanError
from partkin.rules.identification.scans import read_scan

__all__ = ["Element", "Labels", "Named", "Reading", "ScanError", "name_item", "read_scan"]
