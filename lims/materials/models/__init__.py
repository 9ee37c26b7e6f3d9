"""Tables of materials, suppliers, lots and stock."""

from lims.materials.models.lots import Lot, LotExtension, LotProperty, SizeDistribution, StoragePlace
from lims.materials.models.materials import Incompatibility, Material, SafetySheet
from lims.materials.models.stock import Reservation, StockMove, mass_field
from lims.materials.models.suppliers import ProductCode, Supplier, SupplierEvaluation

__all__ = [
    "Incompatibility",
    "Lot",
    "LotExtension",
    "LotProperty",
    "Material",
    "ProductCode",
    "Reservation",
    "SafetySheet",
    "SizeDistribution",
    "StockMove",
    "StoragePlace",
    "Supplier",
    "SupplierEvaluation",
    "mass_field",
]
