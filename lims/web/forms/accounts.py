"""Forms for one's own account and for keeping accounts."""

from __future__ import annotations

from django import forms

from lims.accounts.roles import Role


class PasswordForm(forms.Form):
    """Change one's own password."""

    old = forms.CharField(label="Password now", widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}))
    password = forms.CharField(
        label="New password",
        help_text="At least 8 characters, better 15: some words with spaces make a good one.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )


class TokenForm(forms.Form):
    """Make a token."""

    days = forms.IntegerField(label="Lasts", initial=90, min_value=1, max_value=365)
    days.unit = "days"  # type: ignore[attr-defined]


class PersonForm(forms.Form):
    """Make an account."""

    username = forms.CharField(label="User name", max_length=150)
    name = forms.CharField(label="Name as printed on records", max_length=150)
    password = forms.CharField(
        label="First password",
        help_text="Tell it to the person; they change it on their account page.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )
    is_service = forms.BooleanField(label="A computer's account (rig or balance); it can never sign", required=False)


class GrantForm(forms.Form):
    """Grant a role."""

    role = forms.ChoiceField(choices=Role.choices)
    reason = forms.CharField(max_length=400)
    ends_at = forms.DateTimeField(
        label="Until",
        required=False,
        help_text="Leave blank for no end.",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}),
    )


class ReasonForm(forms.Form):
    """Say why."""

    reason = forms.CharField(max_length=400)
