"""The administrators' view of materials, suppliers and lots: to read only."""

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.materials import models

admin.site.register(
    [
        models.Supplier,
        models.SupplierEvaluation,
        models.ProductCode,
        models.Material,
        models.SafetySheet,
        models.Incompatibility,
        models.StoragePlace,
        models.Lot,
        models.LotProperty,
        models.LotExtension,
        models.SizeDistribution,
        models.StockMove,
        models.Reservation,
    ],
    ReadOnlyAdmin,
)
