"""Forms for one's own account and for keeping accounts."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm

from lims.accounts.roles import Role
from lims.accounts.scopes import RIG, SCOPES
from lims.accounts.secrets import check_code
from lims.core.errors import Refusal


class SignInForm(AuthenticationForm):
    """User name, password and, for those who set one up, the one-time code."""

    one_time_code = forms.CharField(
        label="One-time code",
        required=False,
        max_length=8,
        help_text="Only if you have set up a second factor.",
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "inputmode": "numeric"}),
    )

    def confirm_login_allowed(self, user: Any) -> None:
        """The password was right; the code has to be, too."""
        super().confirm_login_allowed(user)
        try:
            check_code(user, self.cleaned_data.get("one_time_code", "").replace(" ", ""))
        except Refusal as refusal:
            raise forms.ValidationError(refusal.message, code=refusal.code) from refusal


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
    scope = forms.ChoiceField(label="For", choices=[(name, name) for name in SCOPES])
    rig = forms.CharField(label="Rig", max_length=20, required=False, help_text=f"Only for {RIG}: its code.")


class CodeForm(forms.Form):
    """Prove a second factor."""

    one_time_code = forms.CharField(
        label="The code your device shows now",
        max_length=8,
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "inputmode": "numeric"}),
    )


class SecretForm(forms.Form):
    """The password anew."""

    password = forms.CharField(
        label="Your password", widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )


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
