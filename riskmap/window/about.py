"""The page about the numbers: what they mean and do not, versions and licences, and the known answers run here."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from riskmap.common import wording
from riskmap.common.version import __version__
from riskmap.window.app import form_of, page, to_job, window_of

WORDS = (wording.STANDING, wording.CAUTION, wording.NOT_SEEN, wording.CAUTION_WHATIF)


async def about(request: Request) -> Response:
    """Show what the numbers mean."""
    answers: Any = window_of(request).cache.get(("answers",))
    return page(request, "about.html", words=WORDS, version=__version__, answers=answers, command="riskmap selftest")


async def known_answers(request: Request) -> Response:
    """Compare riskmap with published and exact solutions, on this computer."""
    await form_of(request)
    window = window_of(request)

    def after(answer: dict[str, Any]) -> str:
        window.cache[("answers",)] = answer
        return "/about"

    return to_job(request, window.desk.start("", "Known answers", "selftest", {}, after, command="riskmap selftest"))


ROUTES = [Route("/about", about), Route("/about/answers", known_answers, methods=["POST"])]
