"""The administrators' view of verdicts and decisions: to read only."""

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.quality.models import Decision, Verdict

admin.site.register([Verdict, Decision], ReadOnlyAdmin)
