"""Forms for papers: issue one, withdraw one."""

from __future__ import annotations

from django import forms

from lims.web.forms.fields import TextArea
from lims.web.forms.quality import password_field


class IssueForm(forms.Form):
    """Sign what is shown as a numbered paper."""

    reason = TextArea(
        label="Why there is a new issue", rows=2, required=False, help_text="Needed where an issue is there already."
    )
    password = password_field()


class WithdrawForm(forms.Form):
    """Withdraw a paper by a further signature."""

    reason = TextArea(label="Why it is withdrawn", rows=2)
    password = password_field()


class CertificateForm(forms.Form):
    """For whom a certificate is issued, and what its paper has to say besides the results."""

    customer = forms.CharField(label="Customer", max_length=200)
    customer_contact = TextArea(label="Customer's contact", rows=2)
    sampling = TextArea(
        label="Sampling plan and method", rows=2, help_text="How the samples were taken, or where that is written."
    )
    remarks = TextArea(label="Remarks", rows=2, required=False, help_text="Opinions stand apart from the results.")
    reason = TextArea(
        label="Why there is a new issue", rows=2, required=False, help_text="Needed where an issue is there already."
    )
    password = password_field()
