"""The administrators' view of applications, runs and reductions: to read only."""

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.runs.models import Application, BlockPermit, Override, Reduction, Run

admin.site.register([Application, BlockPermit, Run, Reduction, Override], ReadOnlyAdmin)
