"""The record of a woman who has left is deleted by a command, as from the page: with its line in the audit log."""

from quietward.contracts.addresses import Ward
from quietward.contracts.errors import BadSettings
from quietward.contracts.settings import Settings
from quietward.contracts.stays import Stay
from quietward.dashboard.auth import audit
from quietward.dashboard.history.forgetting import forget, why_not_yet
from quietward.dashboard.history.reader import read_policy, read_summary
from quietward.dashboard.print.files import from_store, stay_of
from quietward.runtime.clock import now_ms
from quietward.store.client import Store

ROLE = "command line"


async def forget_record(settings: Settings, bed: str, wanted: str, by: str) -> Stay:
    """Delete the record of a former stay at a bed, by its label or number, and return the stay.

    by: who asked for it. Raises BadSettings if there is no such record or its leaving can still be undone, Unreachable.
    """
    ward = Ward(settings.ward, settings.shards)

    async def delete(store: Store) -> Stay:
        summary, policy = await read_summary(store, ward, bed), await read_policy(store, ward)
        stay = stay_of(bed, summary, wanted)
        if summary is not None and summary.stay == stay:
            raise BadSettings("--stay", wanted, "She is still in this bed; note first that she has left")
        if why := why_not_yet(summary, stay.id, 0 if policy is None else policy.undo_stay_s, now_ms()):
            raise BadSettings("--stay", wanted, why)
        await forget(store, ward, bed, stay.id)
        await audit.append(store, ward, by, ROLE, "forget", bed)
        return stay

    return await from_store(settings, delete)
