"""The administrators' view of holds and nonconformances: to read only."""

from django.contrib import admin

from lims.cases.models import Hold, Nonconformance
from lims.core.read_only import ReadOnlyAdmin

admin.site.register([Nonconformance, Hold], ReadOnlyAdmin)
