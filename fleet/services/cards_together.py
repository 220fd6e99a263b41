"""What the cards of a test say together: worked out when first asked for, then kept.

Working it out reads every stain of every card. No person does a deed here, so nothing is audited:
a row follows from its inputs alone, and whoever asks for the same inputs gets the same bytes.
"""

from __future__ import annotations

import json
from typing import Any

from fleet.models import CardsTogether, Person, Test
from fleet.queries.cards import CardsOfTest, SeenCard, drift_conditions, scans_seen
from fleet.storage import digest_of
from patterns.cards.drift import drift_potential
from patterns.cards.together import (
    TOGETHER_VERSION,
    Together,
    from_together,
    tell_together,
    to_together,
)
from patterns.plain import canonical_bytes


def cards_of_test(person: Person, test: Test) -> CardsOfTest | None:
    """Return what the cards of a test say; None where it has none.

    Raises KeptFileError where it was never worked out and a card's result is gone.
    """
    scans = scans_seen(person, test)
    if not scans:
        return None
    seen = CardsOfTest(scans)
    if not seen.counting:
        return seen
    told = _told(test, seen.counting)
    drift = drift_potential(told.across.whole, drift_conditions(test))
    return CardsOfTest(scans, told.across, drift, told.size_class, told.ways, told.remarks)


def _told(test: Test, cards: list[SeenCard]) -> Together:
    inputs = _inputs(cards)
    digest = digest_of(canonical_bytes(inputs))
    kept = CardsTogether.objects.filter(test=test, inputs_digest=digest).first()
    document = kept.document.encode() if kept else _keep(test, cards, inputs, digest)
    return from_together(json.loads(document))


def _inputs(cards: list[SeenCard]) -> dict[str, Any]:
    """Everything that the figures follow from."""
    return {
        "version": TOGETHER_VERSION,
        "cards": [[card.entry["result"], card.position_m] for card in cards],
    }


def _keep(test: Test, cards: list[SeenCard], inputs: dict[str, Any], digest: str) -> bytes:
    """Work out and keep; of two that do so at one moment the first one's row stays."""
    document = to_together(tell_together([(one.result(), one.position_m or 0.0) for one in cards]))
    row = CardsTogether(
        operator_id=test.operator_id,
        test=test,
        inputs=inputs,
        inputs_digest=digest,
        document=document.decode(),
        document_digest=digest_of(document),
    )
    CardsTogether.objects.bulk_create([row], ignore_conflicts=True)
    return document
