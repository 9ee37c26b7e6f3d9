"""The administrators' view of materials, suppliers and lots: to read only."""

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.materials.models import Lot, LotProperty, Material, StockMove, Supplier

admin.site.register([Supplier, Material, Lot, LotProperty, StockMove], ReadOnlyAdmin)
