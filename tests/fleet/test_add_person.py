"""The command that lets the first people in."""

import pytest
from django.core.management import CommandError, call_command

from fleet.models import Person

pytestmark = pytest.mark.django_db


def typed(monkeypatch: pytest.MonkeyPatch, *answers: str) -> None:
    given = iter(answers)
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(given))


def test_first_staff_member(monkeypatch, capsys):
    typed(monkeypatch, "over-the-long-field", "over-the-long-field")
    call_command("add_person", "First@Association.example", "Fay First")
    person = Person.objects.get()
    assert (person.email, person.role) == ("first@association.example", "staff")
    assert person.check_password("over-the-long-field")
    assert capsys.readouterr().out == "Fay First can sign in as first@association.example.\n"


@pytest.mark.parametrize(
    ("answers", "words"),
    [(("one-password-1", "another-one-2"), "differ"), (("short", "short"), "too short")],
)
def test_refused(monkeypatch, answers, words):
    typed(monkeypatch, *answers)
    with pytest.raises(CommandError, match=words):
        call_command("add_person", "first@association.example", "Fay First")
    assert not Person.objects.exists()
