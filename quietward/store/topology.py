"""What all parts of a ward must agree on: said by the first of them, held against every later one."""

from typing import cast

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings
from quietward.store.client import Store


async def agree(store: Store, ward: Ward, **numbers: int) -> None:
    """Note how many shards (and seats) the ward has. Raises BadSettings if another part says otherwise, RedisError.

    Parts that disagree would look for a bed in different places, and one of them would show it calm.
    """
    client = store.at(ward.layout)
    for name, number in numbers.items():
        await client.hsetnx(ward.layout, name, str(number))
        agreed = int(cast("bytes", await client.hget(ward.layout, name)))
        if agreed != number:
            remedy = (
                f"Ward {ward.name} runs with {agreed}: use the same; or stop all its parts, delete {ward.layout} in "
                "the store, and begin anew"
            )
            raise BadSettings(f"setting {name}", number, remedy)
