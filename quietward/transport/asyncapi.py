"""The AsyncAPI 3 document of the MQTT messages, made from the message types themselves.

`python -m quietward.transport.asyncapi` writes asyncapi.json beside it; a test fails when document and code differ.
"""

import json
from pathlib import Path
from typing import Any

import msgspec

from quietward import __version__
from quietward.contracts.addresses import TOPIC_ROOT
from quietward.contracts.notice import NOTICE
from quietward.contracts.samples import Samples
from quietward.transport.mqtt import CONTENT_TYPE, KEEPALIVE_S, SESSION_KEPT_S

FILE = Path(__file__).with_name("asyncapi.json")


def document() -> dict[str, Any]:
    """Return the document."""
    (samples,), components = msgspec.json.schema_components([Samples], ref_template="#/components/schemas/{name}")
    parameters = {name: {"description": f"{name}: 1 to 32 of a-z, 0-9 and -"} for name in ("ward", "bed")}
    binding = {"mqtt": {"qos": 1, "retain": False, "bindingVersion": "0.2.0"}}
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "quietward", "version": __version__, "description": NOTICE},
        "defaultContentType": CONTENT_TYPE,
        "servers": {
            "broker": {
                "host": "127.0.0.1:1883",
                "protocol": "mqtt",
                "protocolVersion": "5.0",
                "bindings": {
                    "mqtt": {
                        "keepAlive": KEEPALIVE_S,
                        "sessionExpiryInterval": SESSION_KEPT_S,
                        "bindingVersion": "0.2.0",
                    }
                },
            }
        },
        "channels": {
            "samples": {
                "address": f"{TOPIC_ROOT}/{{ward}}/{{bed}}/samples",
                "parameters": parameters,
                "messages": {"samples": {"$ref": "#/components/messages/samples"}},
            },
            "status": {
                "address": f"{TOPIC_ROOT}/{{ward}}/{{bed}}/status",
                "parameters": parameters,
                "messages": {"status": {"$ref": "#/components/messages/status"}},
            },
        },
        "operations": {
            "takeSamples": {
                "action": "receive",
                "channel": {"$ref": "#/channels/samples"},
                "summary": "One second of one bed; also as application/senml+json (RFC 8428).",
                "bindings": binding,
            },
            "takeStatus": {
                "action": "receive",
                "channel": {"$ref": "#/channels/status"},
                "summary": "online when a device has connected, offline as its last will.",
                "bindings": {"mqtt": {"qos": 1, "retain": True, "bindingVersion": "0.2.0"}},
            },
        },
        "components": {
            "messages": {
                "samples": {"contentType": CONTENT_TYPE, "payload": samples},
                "status": {"contentType": "text/plain", "payload": {"enum": ["online", "offline"]}},
            },
            "schemas": components,
        },
    }


def text() -> str:
    """Return the document as it is stored."""
    return json.dumps(document(), indent=2) + "\n"


if __name__ == "__main__":
    FILE.write_text(text())
