"""Jobs: check a card, start a write or a verify, follow it, stop it."""

from __future__ import annotations

from typing import Any

from flask import url_for
from werkzeug.exceptions import Conflict

from mediaprep.errors import MediaPrepError
from mediaprep.model import Job, JobState
from mediaprep.proving import missing_proof
from mediaprep.wire import error_to_wire, object_to_wire
from service import wishes
from service.api import Answer, Routes
from service.problems import error_of
from service.requests import CardQuery, CheckRequest, JobRequest
from service.schemas import CheckAnswer, JobList, JobView
from service.state import State, here

routes = Routes("jobs", "Checks, and the jobs that write and verify cards")

# How long a view waits for a job's thread to let go, once the records say that the job has ended: it is never long.
_LETTING_GO_SECONDS = 5.0
_LOCATION = {"Location": {"description": "The job's address", "schema": {"type": "string"}}}


@routes.post("/checks", CheckAnswer, body=CheckRequest, refusals=(403, 404, 409))
def check(asked: dict[str, Any]) -> object:
    """Check host, card and bundle for a unit. Writes nothing.

    The answer is 200 whatever the checks say: `verdict` is `refuse` where a write would be refused.
    """
    checked = wishes.check(here(), **asked)
    return {"verdict": checked.verdict, "findings": checked.findings}


@routes.get("/jobs", JobList, query=CardQuery)
def list_jobs(asked: dict[str, Any]) -> object:
    """List jobs, the newest first, of one card or of all. Those of the command line are among them."""
    return {"jobs": here().records.jobs(asked.get("card"), asked["limit"])}


@routes.post("/jobs", JobView, body=JobRequest, status=202, headers=_LOCATION, refusals=(403, 404, 409, 503))
def start_job(asked: dict[str, Any]) -> object:
    """Start a job: a write (check, write, read back) or a verify (read back).

    The answer comes as soon as the job is in the records; follow it at its `Location`. The preflight is part of the
    job: one that refuses shows as the job's state `refused`, with the findings.
    """
    state = here()
    job = wishes.start(state, asked)
    return Answer(_view(state, job), {"Location": url_for(f"{routes.blueprint.name}.read_job", number=job.number)})


@routes.get("/jobs/<int(max=2147483647):number>", JobView)
def read_job(number: int) -> object:
    """Say how a job stands: its state, its progress, its findings and what ended it."""
    state = here()
    return _view(state, state.records.job(number))


@routes.post("/jobs/<int(max=2147483647):number>/cancel", JobView, status=202, refusals=(404, 409))
def cancel_job(number: int) -> object:
    """Ask a job to stop. It stops at its next chunk, and the card is unfit until it is written or verified again."""
    state = here()
    job = state.records.job(number)
    if not state.jobs.stop(number):
        if job.state is JobState.RUNNING:
            message = f"Job {number} is run by another program on {job.station}: stop it there"
        else:
            message = f"Job {number} has ended: {job.state.value}"
        raise Conflict(message)
    return _view(state, job)


def _view(state: State, job: Job) -> dict[str, object]:
    live = state.jobs.find(job.number)
    if live is not None and job.state is not JobState.RUNNING:
        live.ended.wait(_LETTING_GO_SECONDS)
    error = _what_ended(state, job, live.error if live is not None else None)
    return {
        **object_to_wire(job),
        "progress": live.progress if live is not None else None,
        "findings": live.findings if live is not None else state.records.findings(job.number),
        "error": error_to_wire(error) if error is not None else None,
    }


def _what_ended(state: State, job: Job, told: MediaPrepError | None) -> MediaPrepError | None:
    """Return what ended a job that did not end well: as it was told here, else as the records have it."""
    if job.state is JobState.RUNNING:
        return None
    if job.receipt is not None:
        return missing_proof(state.records.receipt(job.receipt))
    return told or error_of(job.code or MediaPrepError.code, job.detail or "")
