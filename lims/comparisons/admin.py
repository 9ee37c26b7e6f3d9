"""The administrators' view of comparisons: to read only."""

from django.contrib import admin

from lims.comparisons.models import Comparison, Inclusion, Report
from lims.core.read_only import ReadOnlyAdmin

admin.site.register([Comparison, Inclusion, Report], ReadOnlyAdmin)
