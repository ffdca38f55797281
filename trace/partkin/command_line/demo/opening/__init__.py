"""Before the first unit: goods-in, calibrations, orders, and the containers that are put up."""

from __future__ import annotations

from partkin.command_line.demo.containers import load
from partkin.command_line.demo.opening.calibrations import calibrate
from partkin.command_line.demo.opening.goods_in import receive
from partkin.command_line.demo.opening.orders import post_orders
from partkin.command_line.demo.opening.refused_lots import try_lots
from partkin.command_line.demo.work import Work


async def open_shift(work: Work) -> None:
    """Calibrate, post orders, book in what the shift needs, and put up the first containers."""
    await calibrate(work)
    await post_orders(work)
    await receive(work)
    await try_lots(work)
    opened = max(work.floor.station(code).clock for code in work.story.goods_in)
    for code in sorted({scan_point for scan_point, _ in work.supplies.feeds}):
        station = work.floor.station(code)
        station.at(opened, 1)
        await load(station, work.supplies.at(code))
