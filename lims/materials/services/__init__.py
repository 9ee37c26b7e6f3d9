"""What may be done with materials, suppliers, places and lots: one module a noun."""

from lims.materials.services.life import NewLife, lengthen_life, note_opening, open_lot
from lims.materials.services.lots import (
    dispose_lot,
    reassess_lot,
    receive_lot,
    start_lot_test,
    void_lot,
)
from lims.materials.services.making import Part, blend_lots, split_lot, treat_lot
from lims.materials.services.materials import change_material, create_material
from lims.materials.services.places import create_place, move_lot
from lims.materials.services.properties import add_lot_property
from lims.materials.services.reserving import give_back_stock, release_reservation, reserve_stock
from lims.materials.services.sheets import add_safety_sheet, set_incompatible, withdraw_incompatible
from lims.materials.services.sizes import add_size_distribution
from lims.materials.services.stock import adjust_stock, move_stock
from lims.materials.services.suppliers import approve_supplier, create_supplier, withdraw_supplier_approval

__all__ = [
    "NewLife",
    "Part",
    "add_lot_property",
    "add_safety_sheet",
    "add_size_distribution",
    "adjust_stock",
    "approve_supplier",
    "blend_lots",
    "change_material",
    "create_material",
    "create_place",
    "create_supplier",
    "dispose_lot",
    "give_back_stock",
    "lengthen_life",
    "move_lot",
    "move_stock",
    "note_opening",
    "open_lot",
    "reassess_lot",
    "receive_lot",
    "release_reservation",
    "reserve_stock",
    "set_incompatible",
    "split_lot",
    "start_lot_test",
    "treat_lot",
    "void_lot",
    "withdraw_incompatible",
    "withdraw_supplier_approval",
]
