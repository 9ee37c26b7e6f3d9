"""The administrators' view of specifications: to read only."""

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.specifications.models import Limit, Specification, SpecificationVersion

admin.site.register([Specification, SpecificationVersion, Limit], ReadOnlyAdmin)
