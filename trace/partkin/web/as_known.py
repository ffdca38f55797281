"""Questions about what was known at a seal."""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import Query, Request

from partkin.questions.as_known import AsKnown, UnknownSeal
from partkin.rules.messages import LARGEST_WHOLE
from partkin.store.database import Readable
from partkin.store.journal.seals import BrokenSeal
from partkin.web.asking import invalid
from partkin.web.problems import Problem

AsKnownAt = Annotated[
    int | None,
    Query(
        ge=1,
        le=LARGEST_WHOLE,
        description="As the books knew it at the seal of this number, whatever was recorded since; by all that is "
        "recorded now, if left out. The first question about a seal takes as long as `partkin check`",
    ),
]


def store_asked(request: Request, seal: int | None) -> Readable:
    """What the question is asked of. Raises Problem where there is no such seal, or the books cannot be rebuilt."""
    database, folder = request.app.state.database, request.app.state.settings.cache_folder
    if seal is None:
        return cast(Readable, database)
    try:
        return AsKnown(database, seal, folder, lambda _done, _of: None)
    except UnknownSeal as error:
        raise invalid({"/query/as_known_at": f"{error} GET /v1/seals lists them."}) from error
    except BrokenSeal as error:
        raise Problem("internal", f"{error} Run `partkin check`, and compare with what auditors have.", 500) from error
    except OSError as error:
        detail = f"The books as known then cannot be kept: {error}. PARTKIN_CACHE_FOLDER names a folder for them."
        raise Problem("store-unreachable", detail, 503) from error
