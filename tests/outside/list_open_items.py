#!/usr/bin/env python3
"""Lists the open items of every aircraft, knowing nothing of the service but its name.

    list_open_items.py ADDRESS CA_FILE CERT_FILE KEY_FILE

ADDRESS is host:port. The messages are not compiled in: the service describes itself through server reflection, and
`rinsebook.v1.OpenItems` is called with classes built from that. TLS with a client certificate; the server must prove to be
"localhost" under the certificate authority given. One line an item on standard output:

    registration  item name  engine position/subject  text

and on standard error what log size and time the answer is for. Exit 0: listed; 2: usage; 5: the service could not be asked.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import grpc
from google.protobuf.descriptor_pool import DescriptorPool
from google.protobuf.message_factory import GetMessageClass
from grpc_reflection.v1alpha.proto_reflection_descriptor_database import ProtoReflectionDescriptorDatabase

SERVICE, METHOD = "rinsebook.v1.OpenItems", "ListItems"
DEADLINE_SECONDS = 20
PAGE_SIZE = 100


def open_channel(address: str, authority: bytes, certificate: bytes, key: bytes) -> Any:
    credentials = grpc.ssl_channel_credentials(authority, key, certificate)
    # The certificate names localhost, whatever loopback address is dialled.
    options = [("grpc.ssl_target_name_override", "localhost"), ("grpc.default_authority", "localhost")]
    return grpc.secure_channel(address, credentials, options)


class OpenItems:
    """The one call, built from what the service says of itself; KeyError where it does not offer it."""

    def __init__(self, channel: Any) -> None:
        pool = DescriptorPool(ProtoReflectionDescriptorDatabase(channel))
        method = pool.FindServiceByName(SERVICE).methods_by_name[METHOD]
        self._request = GetMessageClass(method.input_type)
        response = GetMessageClass(method.output_type)
        self._call = channel.unary_unary(
            f"/{SERVICE}/{METHOD}",
            request_serializer=self._request.SerializeToString,
            response_deserializer=response.FromString,
        )

    def pages(self) -> Iterator[Any]:
        """Every page of the items of every aircraft."""
        token = ""
        while True:
            request = self._request(page_size=PAGE_SIZE, page_token=token)
            answer = self._call(request, timeout=DEADLINE_SECONDS)
            yield answer
            token = answer.next_page_token
            if not token:
                return


def item_line(registration: str, item: Any) -> str:
    where = [str(item.engine.position)] if item.HasField("engine") else []
    where += [item.subject] if item.subject else []
    return "  ".join([registration, item.name, "/".join(where) or "-", item.text])


def list_items(channel: Any) -> None:
    last = None
    for last in OpenItems(channel).pages():
        for aircraft in last.aircraft:
            for item in aircraft.items:
                print(item_line(aircraft.registration, item))
    if last is not None:
        known = last.as_of
        print(f"as known at size {known.size} of epoch {known.epoch}, judged at {known.time_ms} ms", file=sys.stderr)


def main() -> int:
    parser = argparse.ArgumentParser(description="List open items through server reflection.")
    parser.add_argument("address", metavar="ADDRESS", help="host:port")
    parser.add_argument("files", type=Path, nargs=3, metavar=("CA_FILE", "CERT_FILE", "KEY_FILE"))
    arguments = parser.parse_args()
    try:
        authority, certificate, key = (path.read_bytes() for path in arguments.files)
        with open_channel(arguments.address, authority, certificate, key) as channel:
            list_items(channel)
    except OSError as error:
        print(f"cannot read {error.filename}: {error.strerror}", file=sys.stderr)
        return 5
    except KeyError as error:
        print(f"{arguments.address} does not describe {SERVICE}/{METHOD}: {error}", file=sys.stderr)
        return 5
    except grpc.RpcError as error:
        print(f"{arguments.address} did not answer: {error.code().name}: {error.details()}", file=sys.stderr)
        return 5
    return 0


if __name__ == "__main__":
    sys.exit(main())
