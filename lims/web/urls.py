"""Every page: each noun's module lists its own."""

from itertools import chain

from django.urls import URLPattern

from lims.web import (
    accounts,
    applications,
    batches,
    blocks,
    charts,
    claims,
    comparisons,
    desk,
    formulations,
    look,
    lots,
    materials,
    methods,
    plans,
    printing,
    quality,
    records,
    rig_figures,
    rigs,
    runs,
    samples,
    search,
    specifications,
    studies,
    today,
    tracing,
    validation,
    working,
)

NOUNS = (
    today,
    accounts,
    desk,
    materials,
    lots,
    formulations,
    batches,
    samples,
    rigs,
    rig_figures,
    blocks,
    methods,
    plans,
    applications,
    runs,
    working,
    studies,
    specifications,
    quality,
    charts,
    comparisons,
    claims,
    records,
    tracing,
    validation,
    search,
    printing,
    look,
)

urlpatterns: list[URLPattern] = list(chain.from_iterable(noun.urlpatterns for noun in NOUNS))
