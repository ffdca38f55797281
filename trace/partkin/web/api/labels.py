"""Labels, drawn: those that a print or a block of numbers has journalled."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response

from partkin.exports.labels import MEDIA_TYPES, Sheet, draw_pdf, draw_png, draw_svg
from partkin.questions.printed_labels import NoLabels, printed_labels
from partkin.rules.labels import Label, LabelError
from partkin.rules.messages import LARGEST_WHOLE
from partkin.settings import Settings
from partkin.web.problems import Problem, ProblemDetails

router = APIRouter(tags=["labels"])


class Picture(StrEnum):
    """How a label is drawn."""

    SVG = "svg"
    PNG = "png"
    PDF = "pdf"


@router.get(
    "/labels/{entry}",
    summary="Labels as a picture",
    operation_id="labels",
    response_class=Response,
    responses={
        200: {"content": {kind: {"schema": {"type": "string", "format": "binary"}} for kind in MEDIA_TYPES.values()}},
        404: {"model": ProblemDetails, "description": "No print and no block of numbers"},
        422: {"model": ProblemDetails, "description": "Not the right form, or the code does not fit its label"},
    },
)
def labels(
    request: Request,
    entry: Annotated[int, Path(ge=1, le=LARGEST_WHOLE, description="Entry of the print, or of the block of numbers")],
    format: Annotated[Picture, Query(description="PDF holds all labels, the others one")] = Picture.PDF,  # noqa: A002
    label: Annotated[int, Query(ge=1, le=10_000, description="Which of several, as SVG or PNG")] = 1,
    sheet: Annotated[bool, Query(description="PDF: as many on an A4 sheet as fit, with crop marks")] = False,
    dots_per_inch: Annotated[int, Query(ge=150, le=1200, description="PNG: of the printer")] = 300,
) -> Response:
    """The labels of one entry of the journal: whoever wants to print posts that first, and says why if it is again."""
    settings: Settings = request.app.state.settings
    try:
        drawn = printed_labels(request.app.state.database, entry, link_stem=settings.link_stem)
        if label > len(drawn):
            raise NoLabels(f"Entry {entry} printed {len(drawn)} labels; there is no label {label}.")
        picture = _drawn(drawn, drawn[label - 1], format, Sheet(crop_marks=True) if sheet else None, dots_per_inch)
    except NoLabels as error:
        raise Problem("not-found", str(error), 404) from error
    except LabelError as error:
        raise Problem("cannot-print", str(error), 422) from error
    return Response(picture, media_type=MEDIA_TYPES[format])


def _drawn(drawn: list[Label], one: Label, picture: Picture, sheet: Sheet | None, dots_per_inch: int) -> bytes:
    match picture:
        case Picture.PDF:
            return draw_pdf(drawn, sheet)
        case Picture.PNG:
            return draw_png(one, dots_per_inch)
        case Picture.SVG:
            return draw_svg(one).encode()
