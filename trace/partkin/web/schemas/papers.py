"""The answers about the papers of containment cases, for the documentation."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from partkin.rules.rows import CaseStatus


class Described(BaseModel):
    """Its members are described beside them."""

    model_config = ConfigDict(use_attribute_docstrings=True)


class CasePaper(Described):
    """A paper of a case."""

    href: str
    """Where it is."""
    about: str
    media_type: str
    consignee: str | None
    """For whom it is; null where it is of the whole case."""
    units: int | None
    """That this consignee was sent."""


class CasePapers(Described):
    """The papers of a case, as its records are now."""

    case: str
    status: CaseStatus
    revision: int
    """Of its list; 0: none is frozen, and the papers say what is affected now."""
    papers: list[CasePaper]
