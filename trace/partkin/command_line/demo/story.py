"""The demo's invented data: the plant's catalogue, and the story of its shift."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from partkin.command_line.demo.told import (
    Alarm,
    Calibrations,
    CommonFault,
    Dispatch,
    Incident,
    Miscounted,
    MisreadContainer,
    Missing,
    Offline,
    OpenCase,
    OrderedPart,
    OrderedSerial,
    RefusedLot,
    ScrappedUnit,
    Stock,
    TakenDown,
    ToldCase,
    ToldFault,
)


@dataclass(frozen=True)
class Story:
    """All that the shift needs beside the catalogue. Its file says it in the same words."""

    plant: str
    address: str
    """Its lines separated by semicolons."""
    contact: str
    """Whom its papers name for questions."""
    hours: float
    first_number: int
    """Where the shift's serial numbers begin."""
    resolver: str
    """Begin of the web addresses on rating plates."""
    quality_engineer: str
    lines: Mapping[str, tuple[str, ...]]
    """Line to the models built there, one after another, and again from the first."""
    planner: str
    """Who posts the build orders."""
    ordered_serials: tuple[OrderedSerial, ...]
    ordered_parts: tuple[OrderedPart, ...]
    readers: Mapping[str, str]
    """Part to the symbology identifier that its label is read with."""
    unit_readers: Mapping[str, str]
    """The same for units, by kind of scan point: their labels are read in several ways."""
    badges: Mapping[str, str]
    tests: Mapping[str, Mapping[str, str]]
    """Scan point to its test plans, each with its instrument."""
    measured: Mapping[str, Mapping[str, tuple[float, float, int]]]
    """Test plan to characteristic to mean, standard deviation and digits."""
    waveforms: tuple[tuple[str, int, str], ...]
    """Line, unit and test plan of which the waveform is kept."""
    calibrations: Calibrations
    second_source_share: float
    goods_in: Mapping[str, tuple[str, ...]]
    """Scan point to the suppliers whose parts come in there."""
    lots: Mapping[str, tuple[tuple[tuple[str, ...], float], ...]]
    """Part to its lots, with the share of the shift's units that each is enough for; several are up at once."""
    numbered_lots: tuple[tuple[int, float], ...]
    """The same for parts whose plain label has a running number."""
    containers: Mapping[str, Mapping[str, Mapping[str, int]]]
    """Part to its containers with labels of their own, each with the lots that went into it, and in which ratio."""
    made_days_before: Mapping[str, int]
    """Lots that their suppliers made on other days than all others: how many days before the shift."""
    missing: tuple[Missing, ...]
    miscounted: Miscounted
    spare_pieces: int
    received_serials: tuple[str, ...]
    """Parts whose serial numbers are booked in."""
    expired_lot: RefusedLot
    held_lot: RefusedLot
    opened_lot: RefusedLot
    misread_container: MisreadContainer
    taken_down: TakenDown
    common_faults: tuple[CommonFault, ...]
    told_faults: tuple[ToldFault, ...]
    incidents: tuple[Incident, ...]
    offline: tuple[Offline, ...]
    scrapped: ScrappedUnit
    spares: Stock
    donor: Stock
    dispatch: Dispatch
    alarm: Alarm
    case: ToldCase
    open_case: OpenCase

    def model(self, line: str, ordinal: int) -> str:
        """What is built on a line at a place in its sequence, counted from 1."""
        models = self.lines[line]
        return models[(ordinal - 1) % len(models)]


def demo_data() -> Path:
    """The folder of the demo's data: inside the installed package, else beside the source folder."""
    package = Path(str(resources.files("partkin")))
    installed = package / "demo_data"
    return installed if installed.is_dir() else package.parents[1] / "demo_data"


def read_story() -> Story:
    """The story of the shift. Raises OSError or pydantic's ValidationError where its file was damaged."""
    from pydantic import TypeAdapter

    return TypeAdapter(Story).validate_json((demo_data() / "shift.json").read_bytes())
