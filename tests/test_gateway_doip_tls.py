"""The DoIP link encrypted, with certificates that the test makes."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from doip_link_help import LIMITS, READ, VIN, FakeEntity, Talk, ask, connect, refused

from decoders.errors import UsageError
from decoders.values import Outcome
from gateway.links import Limits

PATIENT = replace(LIMITS, p2_ms=3000, n_bs_ms=3000)
"""Where an answer comes, which ends the wait."""
openssl = shutil.which("openssl")
needs_openssl = pytest.mark.skipif(openssl is None, reason="no `openssl` command here to make a certificate with")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a vehicle's key and certificate, and those of somebody else."""
    folder = tmp_path_factory.mktemp("certificates")
    for name in ("vehicle", "somebody"):
        make = f"req -x509 -newkey rsa:2048 -nodes -keyout {name}.key -out {name}.pem -days 2 -subj /CN={name}"
        subprocess.run([str(openssl), *make.split()], cwd=folder, check=True, capture_output=True)  # noqa: S603
    return folder


@pytest.fixture
def vehicle(certificates: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificates / "vehicle.pem", certificates / "vehicle.key")
    return context


@needs_openssl
def test_a_verified_vehicle_is_read_over_tls(certificates: Path, vehicle: ssl.SSLContext) -> None:
    long = bytes.fromhex("62F190") + bytes(60_000)  # more than one record of the encryption holds

    def script(talk: Talk, unit: int, data: bytes) -> None:
        talk.ack(unit)
        talk.answer(unit, long)

    with FakeEntity(script, context=vehicle) as entity:
        text = f"{entity.link}?tls=1&ca={certificates / 'vehicle.pem'}"
        with connect(text) as link:
            first, second = ask(link, VIN, VIN, limits=PATIENT)
    assert [text] * 2 == [first.link, second.link]
    assert [long] * 2 == [first.positive, second.positive]


@needs_openssl
def test_without_a_certificate_the_address_itself_says_that_nobody_vouches(vehicle: ssl.SSLContext) -> None:
    with FakeEntity(context=vehicle) as entity, connect(f"{entity.link}?tls=unverified") as link:
        (exchange,) = ask(link, READ, limits=PATIENT)
    assert Outcome.ANSWERED is exchange.outcome
    assert exchange.link.endswith("?tls=unverified")


@needs_openssl
def test_a_vehicle_for_which_nobody_vouches_is_not_talked_to(certificates: Path, vehicle: ssl.SSLContext) -> None:
    with FakeEntity(context=vehicle) as entity:
        error = refused(entity, f"?tls=1&ca={certificates / 'somebody.pem'}", LIMITS)
    assert "nobody in" in error.message
    assert [] == entity.said


@needs_openssl
def test_a_lost_encrypted_connection_is_opened_again(vehicle: ssl.SSLContext) -> None:
    def script(talk: Talk, unit: int, data: bytes) -> None:
        talk.ack(unit)
        if len(entity.requests) == 1:
            talk.hang_up()
        else:
            talk.answer(unit, bytes.fromhex("62F19041"))

    with FakeEntity(script, context=vehicle) as entity, connect(f"{entity.link}?tls=unverified") as link:
        cut, after = ask(link, VIN, VIN, limits=PATIENT)
    assert [Outcome.DAMAGED, Outcome.ANSWERED] == [cut.outcome, after.outcome]


@needs_openssl
def test_old_encryption_is_not_spoken(certificates: Path) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificates / "vehicle.pem", certificates / "vehicle.key")
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1_1
    with FakeEntity(context=context) as entity:
        refused(entity, "?tls=unverified", LIMITS)


def test_who_does_not_encrypt_is_told_so() -> None:
    with FakeEntity() as entity:  # it takes the greeting for the begin of a message and waits for more
        assert (
            "did not finish the encryption in time"
            in refused(entity, "?tls=unverified", Limits(connect_ms=1000)).message
        )


def test_a_file_that_holds_no_certificates_is_a_matter_of_usage(tmp_path: Path) -> None:
    empty = tmp_path / "empty.pem"
    empty.write_text("nothing")
    with FakeEntity() as entity:
        for name in (empty, tmp_path / "missing.pem"):
            with pytest.raises(UsageError, match="cannot be used as a file of certificates"):
                connect(f"{entity.link}?tls=1&ca={name}")
