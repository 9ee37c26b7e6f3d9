"""A first hour for each role: what to do, one step after the other, and the page to do it on."""

from __future__ import annotations

from dataclasses import dataclass

from lims.accounts.roles import Role


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what to do, and the page (the name of its address) with the words of its link."""

    words: str
    url_name: str
    label: str


FIRST_HOURS: dict[Role, tuple[Step, ...]] = {
    Role.CHEMIST: (
        Step("Open a lot. See what is left of it, its tests and where it went.", "lots", "Lots"),
        Step(
            "Open a formulation. Read its filler share and what it is expected to conduct.",
            "formulations",
            "Formulations",
        ),
        Step("Open an approved version and plan a batch of it.", "batch-new", "Plan a batch"),
        Step("Weigh the first line: scan or type the lot, then the mass.", "batches", "Batches"),
        Step("Open a comparison. See which sample stays coolest, and what was left out.", "comparisons", "Comparisons"),
        Step("Ask what would let a thicker layer draw level.", "map", "Gap and conductivity"),
    ),
    Role.OPERATOR: (
        Step("Read what a rig needs before a run: its zero, its checks, its method.", "rigs", "Rigs"),
        Step("Choose a sample and see its hold time and cautions.", "samples", "Samples"),
        Step("Put the sample on: method, rig, blocks, mass.", "application-new", "Put a sample on"),
        Step(
            "Send the file of a zero, then the file of the run. Watch the figures come.", "run-upload", "Send run files"
        ),
        Step("Open a run. Rest on a question mark to read what a figure means.", "runs", "Runs"),
        Step("Look at a run with a flag and do what it says.", "help", "Figures and flags"),
    ),
    Role.RIG_KEEPER: (
        Step("Open a rig. Look at its channels, its calibrations and when they end.", "rigs", "Rigs"),
        Step("Look at the blocks and their faces.", "blocks", "Blocks"),
        Step("See which equipment is due.", "equipment-list", "Equipment"),
        Step(
            "Open the chart of a rig's reference sample. Look for points outside its limits.",
            "charts",
            "Control charts",
        ),
        Step("Read a method: area, force, power, coolant, and what each may differ by.", "methods", "Methods"),
    ),
    Role.QUALITY: (
        Step("Look at what waits for a decision.", "today", "Today"),
        Step("Open a lot under test. Read each result against its limit.", "lots", "Lots"),
        Step("Read a specification: limits, decision rule, version.", "specifications", "Specifications"),
        Step("Open a nonconformance. Look first, then decide what is repeated.", "nonconformances", "Nonconformances"),
        Step("Set up a second factor; you sign with it.", "second-factor", "Second factor"),
        Step("Read a certificate and check its digest.", "certificates", "Certificates"),
    ),
    Role.MANAGER: (
        Step("Open a comparison and read its first sentence.", "comparisons", "Comparisons"),
        Step("Look at the map: why a thin, poorer conductor can win.", "map", "Gap and conductivity"),
        Step("Judge an advertised figure.", "claims", "Claims"),
        Step("Open a report that was issued. It never changes.", "reports", "Reports"),
        Step("See what the numbers are checked against.", "validation", "Validation"),
    ),
    Role.ADMINISTRATOR: (
        Step("See who has an account and which roles they hold.", "people", "People"),
        Step("Read the table of rights.", "rights", "Rights"),
        Step("Make an account for a person. Quality decides on the role.", "person-new", "Add a person"),
        Step("Check the chain of the history.", "chain", "Chain"),
        Step("Set up your second factor.", "second-factor", "Second factor"),
    ),
    Role.AUDITOR: (
        Step("Read the history. Narrow it to one person or one code.", "records", "Records"),
        Step("Open a nonconformance. Follow what was found, decided and done.", "nonconformances", "Nonconformances"),
        Step(
            "Follow one comparison back to its lots, weighings, calibrations and files.", "comparisons", "Comparisons"
        ),
        Step("Read a certificate and check its digest.", "certificates", "Certificates"),
        Step("See what the numbers are checked against.", "validation", "Validation"),
    ),
}
"""The first hour of each role that people hold."""
