"""What may be done with materials, suppliers and lots: one module a noun."""

from lims.materials.services.lots import (
    dispose_lot,
    reassess_lot,
    receive_lot,
    start_lot_test,
    void_lot,
)
from lims.materials.services.materials import change_material, create_material
from lims.materials.services.properties import add_lot_property
from lims.materials.services.stock import adjust_stock, move_stock
from lims.materials.services.suppliers import approve_supplier, create_supplier, withdraw_supplier_approval

__all__ = [
    "add_lot_property",
    "adjust_stock",
    "approve_supplier",
    "change_material",
    "create_material",
    "create_supplier",
    "dispose_lot",
    "move_stock",
    "reassess_lot",
    "receive_lot",
    "start_lot_test",
    "void_lot",
    "withdraw_supplier_approval",
]
