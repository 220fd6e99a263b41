"""Webhooks: signed by the open Standard Webhooks form, told until taken, never sent inwards.

The signature is held against the example in the specification of Standard Webhooks (from memory)
and against the standard library's own HMAC.
"""

from __future__ import annotations

import base64
import datetime
import hashlib
import hmac
import http.client
import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone

from fleet import jobs, webhooks
from fleet.models import HookCall, Job, Webhook
from fleet.services import approvals, hooks
from tests import cast as casting
from tests.cast import Cast

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("everyone")]

ADDRESS = "https://hooks.redgrass.example/in?x=1"


class Listener:
    """A real server on the loopback that answers as told and keeps what it heard."""

    def __init__(self) -> None:
        self.answers: list[int] = []
        self.heard: list[tuple[str, dict[str, str], bytes]] = []
        listener = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                listener.heard.append((self.path, dict(self.headers), body))
                self.send_response(listener.answers.pop(0) if listener.answers else 204)
                self.send_header("Location", "https://elsewhere.example/")
                self.end_headers()

            def log_message(self, *given: Any) -> None:
                """Say nothing."""

        self.server = HTTPServer(("127.0.0.1", 0), Handler)
        self.thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self.thread.start()

    def connect(self, host: str, port: int) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.server.server_port, timeout=5)


@pytest.fixture
def listener(monkeypatch: pytest.MonkeyPatch) -> Iterator[Listener]:
    heard = Listener()
    monkeypatch.setattr(webhooks, "connection_to", heard.connect)
    yield heard
    heard.server.shutdown()
    heard.server.server_close()
    heard.thread.join()


def run_all() -> None:
    for job in Job.objects.filter(kind="hook", state="queued").order_by("created_at"):
        Job.objects.filter(pk=job.pk).update(lease_until=None)
        jobs.run(job.pk)


def hook_of(cast: Cast, *events: str, operator: Any = None) -> Webhook:
    by = cast.owner if operator else cast.staff
    return hooks.add_webhook(by=by, operator=operator, address=ADDRESS, events=events)


def test_the_signature_is_that_of_the_open_form():
    secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    said = webhooks.signature(
        secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}'
    )
    assert said == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_an_approval_is_told_signed_and_once(cast: Cast, listener: Listener):
    ours = hook_of(cast, "approval.granted", "approval.ended", operator=cast.operator)
    hook_of(cast, "paper.issued")
    hooks.add_webhook(
        by=cast.outsider,
        operator=cast.other_operator,
        address=ADDRESS,
        events=["approval.granted"],
    )
    approval = casting.make_approval(cast)
    run_all()
    [(path, headers, body)] = listener.heard
    assert path == "/in?x=1"
    told = json.loads(body)
    assert (told["type"], told["data"]["id"]) == ("approval.granted", str(approval.pk))
    key = base64.b64decode(ours.secret.removeprefix("whsec_"))
    message = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    expected = base64.b64encode(hmac.digest(key, message, hashlib.sha256)).decode()
    assert headers["webhook-signature"] == f"v1,{expected}"
    approvals.withdraw(approval, by=cast.analyst, reason="The boom was bent.")
    run_all()
    ended = json.loads(listener.heard[1][2])
    assert (ended["type"], ended["data"]["ended_by"]) == ("approval.ended", "withdrawn")
    assert HookCall.objects.filter(taken_at__isnull=False).count() == 2


def test_a_changed_setup_ends_and_a_newer_approval_supersedes(cast: Cast, listener: Listener):
    hook_of(cast, "approval.ended")
    first = casting.make_approval(cast)
    casting.make_approval(cast, first.analysis)
    casting.make_setup(cast, first.aircraft, pressure_kpa=300.0)
    run_all()
    assert [json.loads(body)["data"]["ended_by"] for _, _, body in listener.heard] == [
        "superseded",
        "changed",
    ]


def test_told_again_until_it_is_taken(cast: Cast, listener: Listener):
    hook_of(cast, "approval.granted")
    listener.answers = [500, 302, 200]
    casting.make_approval(cast)
    run_all()
    call = HookCall.objects.get()
    assert (call.attempts, call.status) == (1, 500)
    assert call.next_at - timezone.now() < datetime.timedelta(minutes=1, seconds=1)
    job = Job.objects.get(kind="hook")
    assert (job.state, job.attempts) == ("queued", 0)
    run_all()
    run_all()
    call.refresh_from_db()
    assert (call.attempts, call.status, call.trouble) == (3, 200, "")
    assert call.taken_at is not None
    assert len({headers["webhook-id"] for _, headers, _ in listener.heard}) == 1
    assert Job.objects.get(kind="hook").state == "done"


def test_given_up_after_the_last_pause(cast: Cast, listener: Listener):
    hook_of(cast, "approval.granted")
    listener.answers = [503] * 20
    casting.make_approval(cast)
    for _ in range(len(hooks.PAUSES_MINUTES) + 3):
        run_all()
    call = HookCall.objects.get()
    assert call.attempts == len(hooks.PAUSES_MINUTES) + 1
    assert call.given_up_at is not None
    assert "503" in call.trouble


def test_a_stopped_webhook_is_told_nothing_more(cast: Cast, listener: Listener):
    hook = hook_of(cast, "approval.granted")
    casting.make_approval(cast)
    assert hooks.stop_webhook(hook, by=cast.staff)
    assert not hooks.stop_webhook(hook, by=cast.staff)
    run_all()
    assert listener.heard == []
    assert HookCall.objects.get().given_up_at is not None


@pytest.mark.parametrize(
    "address",
    [
        "http://hooks.redgrass.example/",
        "https://127.0.0.1/",
        "https://[::1]/",
        "https://10.1.2.3/in",
        "https://169.254.169.254/latest/",
        "https://name@hooks.redgrass.example/",
        "https:///in",
        "ftp://hooks.redgrass.example/",
    ],
)
def test_addresses_that_are_refused(cast: Cast, address: str):
    with pytest.raises(ValidationError) as refused:
        hooks.add_webhook(by=cast.staff, operator=None, address=address, events=["paper.issued"])
    assert "address" in refused.value.message_dict


def test_a_name_that_leads_inwards_is_not_called(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    inward = [(0, 0, 0, "", ("192.168.1.9", 443))]
    monkeypatch.setattr("socket.getaddrinfo", lambda *given, **more: inward)
    answer = webhooks.send(
        ADDRESS, secret=webhooks.new_secret(), call_id="1", timestamp=1, body=b""
    )
    assert not answer.taken
    assert "not on the public network" in answer.trouble


def test_whose_webhook(cast: Cast) -> None:
    with pytest.raises(ValidationError, match="own operator only"):
        hooks.add_webhook(by=cast.owner, operator=None, address=ADDRESS, events=["paper.issued"])
    with pytest.raises(PermissionDenied):
        hooks.add_webhook(
            by=cast.pilot, operator=cast.operator, address=ADDRESS, events=["paper.issued"]
        )
    with pytest.raises(ValidationError, match="Choose among"):
        hook_of(cast, "everything")
