"""What each type of problem means: the addresses that problem details point to."""

from __future__ import annotations

from dataclasses import asdict

from fastapi import APIRouter

from partkin.web.problems import PROBLEM_TYPES, Problem, ProblemDetails

router = APIRouter(tags=["problems"])


@router.get("/problems", summary="All types of problems")
def problem_types() -> dict[str, dict[str, str]]:
    """Every type, its title, what it means and what to do."""
    return {name: asdict(type_) for name, type_ in PROBLEM_TYPES.items()}


@router.get(
    "/problems/{name}",
    summary="One type of problem",
    responses={404: {"model": ProblemDetails, "description": "No such type"}},
)
def problem_type(name: str) -> dict[str, str]:
    """Its title, what it means and what to do."""
    if name not in PROBLEM_TYPES:
        raise Problem("not-found", f"There is no type of problem {name}.", 404)
    return asdict(PROBLEM_TYPES[name])
