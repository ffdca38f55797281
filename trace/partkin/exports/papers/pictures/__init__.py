"""Pictures of a containment case, as vectors that stand in a PDF: when, and how far."""

from partkin.exports.papers.pictures.spread import spread
from partkin.exports.papers.pictures.timeline import timeline

__all__ = ["spread", "timeline"]
