"""The administrators' view of formulations and batches: to read only, for those who may read recipes."""

from typing import ClassVar

from django.contrib import admin

from lims.core.read_only import ReadOnlyAdmin
from lims.formulations import models


class RecipeAdmin(ReadOnlyAdmin):
    """A table that tells what goes into a product."""

    right: ClassVar[str] = "recipe.read"


admin.site.register(
    [
        models.Formulation,
        models.FormulationVersion,
        models.FormulationLine,
        models.ProcessStep,
        models.Batch,
        models.BatchLine,
        models.Weighing,
        models.WeighingCheck,
        models.StepRecord,
        models.Rescaling,
        models.SetAside,
        models.StepStart,
        models.BatchTest,
        models.BatchPhoto,
        models.BenchEquipment,
        models.BenchCalibration,
        models.TestLimit,
    ],
    RecipeAdmin,
)
