"""The foreign client against a server of this file's own, over TLS with client certificates on loopback."""

from __future__ import annotations

import datetime
import subprocess
import sys
import tempfile
import unittest
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import grpc
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from grpc_reflection.v1alpha import reflection

import messages

ITEMS = messages.load("items")
CLIENT = Path(__file__).with_name("list_open_items.py")
PAGES = {"": ("AA-ONE", "p2"), "p2": ("AA-TWO", "")}


def make_certificates(folder: Path) -> None:
    """An authority, a server certificate for localhost and a client certificate, as PEM files."""
    authority_key = ec.generate_private_key(ec.SECP256R1())
    authority = certificate("authority", authority_key, "authority", authority_key, is_authority=True)
    (folder / "authority.pem").write_bytes(authority.public_bytes(serialization.Encoding.PEM))
    for name in ("localhost", "planner"):
        key = ec.generate_private_key(ec.SECP256R1())
        signed = certificate(name, key, "authority", authority_key, is_authority=False)
        (folder / f"{name}.pem").write_bytes(signed.public_bytes(serialization.Encoding.PEM))
        pem, pkcs8, open_key = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        (folder / f"{name}.key").write_bytes(key.private_bytes(pem, pkcs8, open_key))


def certificate(name: str, key: Any, issuer: str, issuer_key: Any, is_authority: bool) -> x509.Certificate:
    def named(common: str) -> x509.Name:
        return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, common)])

    now = datetime.datetime.now(datetime.timezone.utc)
    builder = x509.CertificateBuilder().subject_name(named(name)).issuer_name(named(issuer)).public_key(key.public_key())
    builder = builder.serial_number(x509.random_serial_number())
    builder = builder.not_valid_before(now - datetime.timedelta(days=1)).not_valid_after(now + datetime.timedelta(days=1))
    builder = builder.add_extension(x509.BasicConstraints(is_authority, None), critical=True)
    builder = builder.add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
    return builder.sign(issuer_key, hashes.SHA256())


def answer(request: Any, _: Any) -> Any:
    """Two pages, one aircraft each."""
    registration, following = PAGES[request.page_token]
    line = ITEMS.OpenItem(name="line-disconnected", subject="sense 2", text="Line sense 2 is open.")
    line.engine.position = 1
    wash = ITEMS.OpenItem(name="handover-due", text="Nobody has taken the wash over.")
    aircraft = ITEMS.AircraftItems(registration=registration, items=[line, wash])
    known = ITEMS.AsOf(epoch=1, size=7, time_ms=1_900_000_000_000)
    return ITEMS.ListItemsResponse(aircraft=[aircraft], as_of=known, next_page_token=following)


def serve(folder: Path, offered: bool = True) -> tuple[Any, str]:
    """A running server and its address; with `offered` false it offers nothing."""
    server = grpc.server(ThreadPoolExecutor(2))
    if offered:
        method = grpc.unary_unary_rpc_method_handler(
            answer, ITEMS.ListItemsRequest.FromString, ITEMS.ListItemsResponse.SerializeToString
        )
        server.add_generic_rpc_handlers([grpc.method_handlers_generic_handler("rinsebook.v1.OpenItems", {"ListItems": method})])
        reflection.enable_server_reflection(["rinsebook.v1.OpenItems", reflection.SERVICE_NAME], server)
    pair = ((folder / "localhost.key").read_bytes(), (folder / "localhost.pem").read_bytes())
    credentials = grpc.ssl_server_credentials([pair], (folder / "authority.pem").read_bytes(), require_client_auth=True)
    port = server.add_secure_port("127.0.0.1:0", credentials)
    server.start()
    return server, f"127.0.0.1:{port}"


class ForeignClient(unittest.TestCase):
    def setUp(self) -> None:
        made = tempfile.TemporaryDirectory()
        self.addCleanup(made.cleanup)
        self.folder = Path(made.name)
        make_certificates(self.folder)

    def ask(self, offered: bool = True, key: str = "planner.key") -> subprocess.CompletedProcess[str]:
        server, address = serve(self.folder, offered)
        files = [str(self.folder / name) for name in ("authority.pem", "planner.pem", key)]
        try:
            return subprocess.run([sys.executable, str(CLIENT), address, *files], capture_output=True, text=True, check=False)
        finally:
            server.stop(None)

    def test_every_item_of_every_page_is_printed_as_a_line(self) -> None:
        done = self.ask()
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(
            done.stdout.splitlines(),
            [
                "AA-ONE  line-disconnected  1/sense 2  Line sense 2 is open.",
                "AA-ONE  handover-due  -  Nobody has taken the wash over.",
                "AA-TWO  line-disconnected  1/sense 2  Line sense 2 is open.",
                "AA-TWO  handover-due  -  Nobody has taken the wash over.",
            ],
        )
        self.assertIn("size 7 of epoch 1", done.stderr)

    def test_a_server_that_does_not_describe_the_service_is_exit_5(self) -> None:
        done = self.ask(offered=False)
        self.assertEqual((done.returncode, done.stdout), (5, ""), done.stderr)

    def test_a_key_that_is_not_the_certificates_is_exit_5(self) -> None:
        done = self.ask(key="localhost.key")
        self.assertEqual((done.returncode, done.stdout), (5, ""), done.stderr)


if __name__ == "__main__":
    unittest.main()
