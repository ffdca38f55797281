"""Examples for the documentation: messages of the demo, and what the service answered."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any


@dataclass(frozen=True, slots=True)
class Example:
    """A message, and its answer."""

    message: Mapping[str, Any]
    answer: Mapping[str, Any]


EXAMPLES: Mapping[str, Example] = {
    kind: Example(**example)
    for kind, example in json.loads(files("partkin.web").joinpath("examples.json").read_text("utf-8")).items()
}
"""One accepted message of each kind."""
