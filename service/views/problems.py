"""What each kind of problem document means: the addresses that their `type` gives."""

from __future__ import annotations

from mediaprep.errors import NotFound
from service.api import Routes
from service.problems import PROBLEMS
from service.schemas import ProblemKind

routes = Routes("problems", "What the kinds of problem documents mean")


@routes.get("/problems/<name:code>", ProblemKind)
def read_problem(code: str) -> object:
    """Describe one kind of problem."""
    if code not in PROBLEMS:
        message = f"There is no problem {code}"
        raise NotFound(message, remedy="The 'code' of a problem document is one there is.")
    problem = PROBLEMS[code]
    return {
        "code": problem.code,
        "title": problem.title,
        "status": problem.status,
        "exit_code": problem.exit_code,
        "remedy": problem.remedy,
    }
