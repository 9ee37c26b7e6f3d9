"""Papers and files made of a comparison: one file a kind, one line here. The same content gives the same bytes."""

from collections.abc import Mapping
from types import MappingProxyType

from lims.comparisons.exporters import html, package, pdf, xlsx
from lims.comparisons.exporters._kind import Exporter

EXPORTERS: Mapping[str, Exporter] = MappingProxyType(
    {
        "pdf": Exporter("PDF/A", "pdf", "application/pdf", pdf.write),
        "xlsx": Exporter(
            "XLSX", "xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", xlsx.write
        ),
        "html": Exporter("HTML", "html", "text/html; charset=utf-8", html.write),
        "package": Exporter("Data package", "zip", "application/zip", package.write),
    }
)
