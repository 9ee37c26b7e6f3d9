"""The administrators' view of verdicts and decisions: to read only."""

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.quality.models import Certificate, Decision, Verdict

admin.site.register([Verdict, Decision], ReadOnlyAdmin)


@admin.register(Certificate)
class CertificateAdmin(ReadOnlyAdmin):
    """Certificates name customers."""

    right = "certificate.read"
