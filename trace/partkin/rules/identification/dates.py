"""Dates on labels. Each function raises ValueError for a date that does not exist."""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import date


def full_year(two_digits: int, this_year: int) -> int:
    """The year that two digits stand for: within 50 years of this one (GS1 General Specifications 7.12)."""
    century, current = divmod(this_year, 100)
    if two_digits - current >= 51:
        century -= 1
    elif two_digits - current <= -50:
        century += 1
    return century * 100 + two_digits


def _year(text: str, this_year: int) -> int:
    return int(text) if len(text) == 4 else full_year(int(text), this_year)


def day_of(text: str, this_year: int, *, month_end: bool) -> date:
    """The date of YYMMDD or YYYYMMDD; day 00 is the last or the first day of its month."""
    year, month, day = _year(text[:-4], this_year), int(text[-4:-2]), int(text[-2:])
    if day == 0:
        day = monthrange(year, month)[1] if month_end else 1
    return date(year, month, day)


def monday_of(text: str, this_year: int) -> date:
    """The Monday of the week YYWW or YYYYWW, weeks counted by ISO 8601."""
    return date.fromisocalendar(_year(text[:-2], this_year), int(text[-2:]), 1)


def ordinal_day_of(text: str, this_year: int) -> date:
    """The date of YYDDD, days counted from 001."""
    year = full_year(int(text[:-3]), this_year)
    day = date.fromordinal(date(year, 1, 1).toordinal() + int(text[-3:]) - 1)
    if day.year != year:
        raise ValueError(f"the year {year} has no day {text[-3:]}")
    return day


def label_date(text: str, this_year: int) -> date:
    """The date of a plain label, told by its length: YYYY-MM-DD, YYYYMMDD, YYMMDD, YYDDD or YYWW."""
    digits = text.replace("-", "") if re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}", text) else text
    if not re.fullmatch("[0-9]{4,8}", digits) or len(digits) == 7:
        raise ValueError("it is none of YYYY-MM-DD, YYYYMMDD, YYMMDD, YYDDD and YYWW")
    if len(digits) == 4:
        return monday_of(digits, this_year)
    return ordinal_day_of(digits, this_year) if len(digits) == 5 else day_of(digits, this_year, month_end=False)
