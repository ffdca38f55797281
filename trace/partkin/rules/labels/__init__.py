"""Labels: what is printed on a label, which data its code carries, how large both are.

Drawing one is a matter of `exports/labels`.
"""

from partkin.rules.labels.composing import compose
from partkin.rules.labels.model import SYMBOLS, Code, Label, LabelError, Labelled, Line

__all__ = ["SYMBOLS", "Code", "Label", "LabelError", "Labelled", "Line", "compose"]
