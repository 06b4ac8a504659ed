"""The private attributes we lean on are where we expect them."""

from quietward import mqtt


def test_private_attributes_of_aiomqtt_are_in_their_places() -> None:
    assert mqtt.private_attributes_missing() == []
