"""What a load balancer or a container asks: is the process alive, can it serve?"""

from django.db import DatabaseError, connection
from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe


@require_safe
@never_cache
def live(request: HttpRequest) -> HttpResponse:
    """The process answers."""
    return HttpResponse("alive\n", content_type="text/plain")


@require_safe
@never_cache
def ready(request: HttpRequest) -> HttpResponse:
    """The database answers too."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return HttpResponse("the database does not answer\n", content_type="text/plain", status=503)
    return HttpResponse("ready\n", content_type="text/plain")
