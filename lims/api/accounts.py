"""People, roles and tokens."""

from __future__ import annotations

from django.urls import path
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from lims.accounts import selectors, services
from lims.accounts.scopes import EVERYTHING, SCOPES
from lims.api.base import View, valid


class MeSerializer(serializers.Serializer[object]):
    """The account that asks."""

    username = serializers.CharField()
    name = serializers.CharField(source="printed_name")
    roles = serializers.SerializerMethodField()

    def get_roles(self, user: object) -> list[str]:
        return sorted(role.label for role in user.roles)  # type: ignore[attr-defined]


class TokenRequestSerializer(serializers.Serializer[object]):
    """How long a token shall last, what it is for, and whose it is (one's own where left out)."""

    days = serializers.IntegerField(default=90, min_value=1, max_value=365)
    scope = serializers.ChoiceField(choices=list(SCOPES), default=EVERYTHING)
    rig = serializers.CharField(required=False, allow_blank=True, default="", max_length=20)
    owner = serializers.CharField(required=False, max_length=150, help_text="A computer's account; administrators.")


class TokenSerializer(serializers.Serializer[object]):
    """A token just made; `token` is shown this once."""

    token = serializers.CharField(source="text")
    expires_at = serializers.DateTimeField(source="row.expiry")


class AccountRequestSerializer(serializers.Serializer[object]):
    """A new account."""

    username = serializers.CharField(max_length=150)
    name = serializers.CharField(max_length=150)
    password = serializers.CharField(write_only=True)
    is_service = serializers.BooleanField(default=False)


class Me(View):
    """Who is asking, and with which roles."""

    rights = {"GET": "account.see_own"}

    @extend_schema(responses=MeSerializer)
    def get(self, request: Request) -> Response:
        return Response(MeSerializer(request.user).data)


class Tokens(View):
    """Make a token for programs."""

    rights = {"POST": "token.create"}

    @extend_schema(request=TokenRequestSerializer, responses={201: TokenSerializer})
    def post(self, request: Request) -> Response:
        content = valid(TokenRequestSerializer(data=request.data))
        if name := content.pop("owner", None):
            content["owner"] = selectors.get_person_for(request.user, name)  # type: ignore[arg-type]
        issued = services.create_token(actor=request.user, **content)  # type: ignore[arg-type]
        return Response(TokenSerializer(issued).data, status=201)


class Accounts(View):
    """Accounts of the laboratory."""

    rights = {"GET": "role.grant", "POST": "account.create"}

    @extend_schema(responses=MeSerializer(many=True))
    def get(self, request: Request) -> Response:
        return self.page(selectors.people().order_by("-id"), MeSerializer)

    @extend_schema(request=AccountRequestSerializer, responses={201: MeSerializer})
    def post(self, request: Request) -> Response:
        content = valid(AccountRequestSerializer(data=request.data))
        made = services.create_account(actor=request.user, key=self.key, **content)  # type: ignore[call-arg,arg-type]
        return Response(MeSerializer(made).data, status=201)


urlpatterns = [
    path("me/", Me.as_view(), name="api-me"),
    path("tokens/", Tokens.as_view(), name="api-tokens"),
    path("accounts/", Accounts.as_view(), name="api-accounts"),
]
