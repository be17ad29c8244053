"""Every model has a factory, and what it builds is valid."""

import pytest
from django.apps import apps
from django.db import connection
from django.db.models import Model
from factory.django import DjangoModelFactory

from tests import factories


def _is_built_by_people(model: type[Model]) -> bool:
    """Triggers alone fill the history, and proxies are other names of the same rows."""
    columns = {field.name for field in model._meta.get_fields()}
    return not model._meta.proxy and "pgh_created_at" not in columns


MODELS = sorted(
    filter(_is_built_by_people, apps.get_app_config("registry").get_models()),
    key=lambda model: model.__name__,
)


@pytest.mark.django_db
@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_every_model_has_a_factory_of_valid_objects(model: type[Model]) -> None:
    factory: type[DjangoModelFactory] = getattr(factories, model.__name__)

    built = factory()
    connection.check_constraints()

    built.full_clean()
    assert model._default_manager.filter(pk=built.pk).exists()
