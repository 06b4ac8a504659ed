"""What all services of a ward must agree on: noted by the first of them, checked by every later one."""

from typing import cast

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings
from quietward.store.client import Store


async def check_topology(store: Store, ward: Ward, **counts: int) -> None:
    """Note the ward's counts of shards (and seats), or compare them with those that are noted.

    Services that disagree would look for a bed in different places, and one of them would show it calm.
    Raises BadSettings if another service runs with another count, and RedisError.
    """
    client = store.at(ward.topology)
    for name, count in counts.items():
        await client.hsetnx(ward.topology, name, str(count))
        noted = int(cast("bytes", await client.hget(ward.topology, name)))
        if noted != count:
            remedy = (
                f"Ward {ward.name} runs with {noted}: use the same; or stop all its parts, delete {ward.topology} in "
                "the store, and begin anew"
            )
            raise BadSettings(f"setting {name}", count, remedy)
