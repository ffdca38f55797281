"""The verdict of a test run: ours, from the measurements and the limits of the plan."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from partkin.rules.catalogue import Characteristic
from partkin.rules.facts import Measured, Verdict
from partkin.rules.messages import Measurement

__test__ = False


def within_limits(characteristic: Characteristic, measurement: Measurement) -> bool:
    """Whether a result is good. Limits are included: a resistance of exactly 0.2 Ω meets a limit of 0.2 Ω."""
    if characteristic.kind == "attribute":
        return measurement.good is True
    value = measurement.value
    return (
        value is not None
        and (characteristic.lower is None or value >= characteristic.lower)
        and (characteristic.upper is None or value <= characteristic.upper)
    )


def fits(characteristic: Characteristic, measurement: Measurement) -> bool:
    """Whether a result has the form that its characteristic asks for."""
    return (characteristic.kind == "numeric") == (measurement.value is not None)


def measured_to(plan: Mapping[str, Characteristic], measurements: Iterable[Measurement]) -> tuple[Measured, ...]:
    """Every result with whether it is within its limits; what the plan does not have never is."""
    return tuple(
        Measured(
            m.characteristic,
            m.value,
            m.good,
            m.characteristic in plan and within_limits(plan[m.characteristic], m),
            plan[m.characteristic].lower if m.characteristic in plan else None,
            plan[m.characteristic].upper if m.characteristic in plan else None,
        )
        for m in measurements
    )


def verdict_of(plan: Mapping[str, Characteristic], measured: Iterable[Measured]) -> Verdict:
    """Fail when a result is out of its limits; else incomplete when one is missing; a missing value is never a pass."""
    results = {result.characteristic: result for result in measured}
    if not all(result.within for result in results.values()):
        return "fail"
    return "pass" if plan and plan.keys() <= results.keys() else "incomplete"
