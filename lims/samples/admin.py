"""The administrators' view of samples: to read only."""

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.samples.models import CustodyEvent, Sample

admin.site.register([Sample, CustodyEvent], ReadOnlyAdmin)
