"""The plant's labels, by the label rules of its catalogue: the same number always gives the same label."""

from __future__ import annotations

import random
import re
from dataclasses import dataclass
from datetime import date
from urllib.parse import quote

from partkin.command_line.demo.story import Story
from partkin.rules.catalogue import Catalogue, Part, Position
from partkin.rules.check_characters import SCHEMES
from partkin.rules.identification.readings import EOT, GS, RS

PER_LOT = 60
"""Serial-numbered pieces of one supplier's lot."""

_DIGITAL_LINK = "]Q1"
_GS1_128 = "]C1"
_PATTERN = re.compile(r"\(\?P<(?P<group>\w+)>|(?P<end>\))|\[[^]]+\](?:\{(?P<times>[0-9]+)\})?|\\?(?P<literal>.)")


@dataclass(frozen=True, slots=True)
class Label:
    """A label on a component or container, and what it names."""

    part: str
    code: str
    scan: str
    """What the reader sends for it."""


class Plant:
    """Components and containers as they come to the stations, each with its label."""

    def __init__(self, catalogue: Catalogue, story: Story, day: date) -> None:
        self.catalogue = catalogue
        self.story = story
        self.day = day
        self.ordered = {
            (one.module, one.position, self.number(one.line, one.unit)): one.part for one in story.ordered_parts
        }

    def number(self, line: str, ordinal: int) -> int:
        """The number of a unit of a line, counted from 1, and of what is scanned into it."""
        lines = list(self.story.lines)
        return self.story.first_number + len(lines) * (ordinal - 1) + lines.index(line)

    def serial(self, part: str, number: int) -> Label:
        """A serial-numbered component or module."""
        known = self.catalogue.part[part]
        lot = f"{(known.supplier or part)[0]}{number // PER_LOT:04d}"
        if known.label_pattern is not None:
            text, named = self._plain(known, number)
            return Label(part, named["serial"], self._read(part) + text)
        if known.cpid is not None:
            return Label(part, str(number), f"{self._read(part)}8010{known.cpid}{GS}8011{number}")
        code = f"{(known.supplier or part)[0]}{number:08d}"
        if known.gtin is not None:
            return Label(part, code, f"{self._read(part)}01{known.gtin}10{lot}{GS}21{code}")
        return Label(part, code, self._read(part) + _envelope(f"1P{known.supplier_part}", f"S{code}"))

    def lot(self, part: str, lot: str) -> Label:
        """A container of a lot; its lot number is a running number where the label rule of the part makes it one."""
        known = self.catalogue.part[part]
        if known.label_pattern is not None:
            text, named = self._plain(known, int(lot))
            return Label(part, named["lot"], self._read(part) + text)
        if known.gtin is not None:
            return Label(part, lot, f"{self._read(part)}01{known.gtin}10{lot}")
        return Label(part, lot, self._read(part) + _envelope(f"1P{known.supplier_part}", f"1T{lot}"))

    def lots(self, part: str) -> list[tuple[list[Label], float]]:
        """The lots and containers of a part in this shift that are up together, with their shares of it."""
        known = self.catalogue.part[part]
        named = self.story.lots.get(part)
        if named is None:
            named = tuple(((str(number),), share) for number, share in self.story.numbered_lots)
        if known.trace != "lot":
            raise ValueError(f"{part} is not traced by lot")
        return [([self.lot(part, lot) for lot in together], share) for together, share in named]

    def sources(self, container: Label) -> dict[Label, int]:
        """The lots that went into a container, with their shares in it; of a lot as it came, itself."""
        sources = self.story.containers.get(container.part, {}).get(container.code)
        return {container: 1} if sources is None else {self.lot(container.part, lot): n for lot, n in sources.items()}

    def positions(self, part: str) -> tuple[Position, ...]:
        """The positions of a built part."""
        return self.catalogue.bill(part, self.day).positions

    def allowed(self, position: Position) -> tuple[str, ...]:
        """The part numbers that a position takes."""
        return self.catalogue.bill(position.part, self.day).allowed[position.position]

    def taken(self, position: Position) -> Part:
        """The part that a position takes, the first source of it."""
        return self.catalogue.part[self.allowed(position)[0]]

    def route(self, part: str, line: str | None) -> list[str]:
        """The scan points that a part goes to, where it has parallel ones those of a line."""
        steps = (step.scan_point for step in self.catalogue.route[part])
        return [code for code in steps if line is None or self.catalogue.scan_point[code].line == line]

    def component(self, position: Position, number: int) -> Label:
        """The component of this number for a position: the one ordered, else now and then from the second source."""
        ordered = self.ordered.get((position.part, position.position, number))
        if ordered is not None:
            return self.serial(ordered, number)
        allowed = self.allowed(position)
        second = random.Random(f"{position.part} {position.position} {number}").random()  # noqa: S311
        part = allowed[-1] if second < self.story.second_source_share else allowed[0]
        return self.serial(part, number)

    def scan_of_built(self, part: str, code: str, kind: str) -> str:
        """What the reader at a scan point of this kind sends for the label of a built item."""
        known = self.catalogue.part[part]
        if known.packaging:
            return f"{_GS1_128}00{code}"
        if known.gtin is None:
            return self._read(part) + code
        reader = self.story.unit_readers[kind]
        if reader == _DIGITAL_LINK:
            return f"{reader}{self.story.resolver}/01/{known.gtin}/21/{quote(code, safe='')}"
        return f"{reader}01{known.gtin}21{code}" if reader else code

    def _read(self, part: str) -> str:
        return self.story.readers.get(part, "")

    def _plain(self, part: Part, number: int) -> tuple[str, dict[str, str]]:
        """A label that the pattern of a part fits, and its named groups.

        Numbers whose check character is a blank are not given out: a label cannot end so.
        """
        text, named = self._filled(part, number)
        while text.endswith(" "):
            number += 100_000
            text, named = self._filled(part, number)
        return text, named

    def _filled(self, part: Part, number: int) -> tuple[str, dict[str, str]]:
        text = ""
        named: dict[str, str] = {}
        opened: list[tuple[str, int]] = []
        for token in _PATTERN.finditer(part.label_pattern or ""):
            if token["group"]:
                opened.append((token["group"], len(text)))
            elif token["end"]:
                name, start = opened.pop()
                named[name] = text[start:]
            elif token["literal"]:
                text += token["literal"]
            else:
                text += self._characters([name for name, _ in opened], int(token["times"] or 1), part, number, text)
        return text, named

    def _characters(self, inside: list[str], times: int, part: Part, number: int, before: str) -> str:
        if "check" in inside:
            return SCHEMES[part.label_check or ""].compute(before)
        if "date" in inside:
            return f"{self.day:%y%m%d}"
        of_lot = "lot" in inside and "serial" in inside
        return f"{number // PER_LOT if of_lot else number:0{times}d}"


def _envelope(*fields: str) -> str:
    """An ISO/IEC 15434 envelope of format 06."""
    return f"[)>{RS}06{GS}{GS.join(fields)}{RS}{EOT}"
