"""Every route of the programming interface: each noun's module lists its own."""

from itertools import chain

from django.urls import URLPattern, path
from drf_spectacular.views import SpectacularAPIView

from lims.api import (
    accounts,
    applications,
    batches,
    charts,
    checks,
    claims,
    comparisons,
    desk,
    equipment,
    formulations,
    labels,
    lots,
    materials,
    methods,
    papers,
    plans,
    quality,
    records,
    rig_figures,
    rigs,
    runs,
    safety,
    samples,
    search,
    specifications,
    studies,
    tracing,
)

NOUNS = (
    accounts,
    desk,
    safety,
    materials,
    lots,
    formulations,
    batches,
    samples,
    labels,
    equipment,
    rigs,
    rig_figures,
    methods,
    plans,
    applications,
    runs,
    studies,
    specifications,
    quality,
    charts,
    checks,
    papers,
    comparisons,
    claims,
    records,
    search,
    tracing,
)

urlpatterns: list[URLPattern] = [
    path("openapi.json", SpectacularAPIView.as_view(), name="api-openapi"),
    *chain.from_iterable(noun.urlpatterns for noun in NOUNS),
]
