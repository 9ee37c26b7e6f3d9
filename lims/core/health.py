"""What a load balancer or a container asks: is the process alive, can it serve?

Answered before the check of the host name: probes come by address, not by the name people use.
"""

from django.db import DatabaseError, connection
from django.http import HttpRequest, HttpResponse

from lims.core.middleware import Handler


def probes(get_response: Handler) -> Handler:
    """Answer `/health/live` and `/health/ready`; let everything else pass."""
    answers = {"/health/live": live, "/health/ready": ready}

    def handle(request: HttpRequest) -> HttpResponse:
        answer = answers.get(request.path_info)
        return answer() if answer is not None else get_response(request)

    return handle


def live() -> HttpResponse:
    """The process answers."""
    return _plain("alive", status=200)


def ready() -> HttpResponse:
    """The database answers too."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return _plain("the database does not answer", status=503)
    return _plain("ready", status=200)


def _plain(text: str, *, status: int) -> HttpResponse:
    return HttpResponse(f"{text}\n", content_type="text/plain", status=status, headers={"Cache-Control": "no-store"})
