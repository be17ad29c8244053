"""`coheap revoke_token` ends the named token and no other."""

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from registry.models import AccessToken, Site
from registry.services import access
from tests.world import World


def test_named_token_ends_and_the_others_go_on(
    world: World, capsys: pytest.CaptureFixture[str]
) -> None:
    token, secret = access.issue_site_token(site=Site.objects.get(code="NORTH"), name="oven room")

    call_command("revoke_token", site="NORTH", hint=token.hint)

    assert "oven room" in capsys.readouterr().out
    assert access.authenticate(secret, now=timezone.now()) is None
    assert AccessToken.objects.filter(revoked_at__isnull=True).count() == len(world.tokens)


@pytest.mark.parametrize("named", [{"site": "SOUTH"}, {"coordinator": "nobody@example.org"}])
def test_token_of_another_owner_is_not_found(world: World, named: dict[str, str]) -> None:
    hint = AccessToken.objects.get(site__code="NORTH").hint

    with pytest.raises(CommandError, match="no such token"):
        call_command("revoke_token", hint=hint, **named)

    assert not AccessToken.objects.filter(revoked_at__isnull=False).exists()
