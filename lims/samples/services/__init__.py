"""What may be done with samples: register them, keep their custody, lead them to their end."""

from lims.samples.services.blind import register_blind_sample
from lims.samples.services.custody import move_sample, note_custody, note_excursion
from lims.samples.services.labels import retire_label_format, set_label_format
from lims.samples.services.registering import (
    SampleFacts,
    refuse_sample,
    register_sample,
    split_sample,
    take_sample,
    void_sample,
)
from lims.samples.services.sheets import Sheet, register_sheets
from lims.samples.services.states import (
    dispose_sample,
    release_sample_for_retest,
    retain_sample,
    return_sample,
    use_up_sample,
)

__all__ = [
    "SampleFacts",
    "Sheet",
    "dispose_sample",
    "move_sample",
    "note_custody",
    "note_excursion",
    "refuse_sample",
    "register_blind_sample",
    "register_sample",
    "register_sheets",
    "release_sample_for_retest",
    "retain_sample",
    "retire_label_format",
    "return_sample",
    "set_label_format",
    "split_sample",
    "take_sample",
    "use_up_sample",
    "void_sample",
]
