"""Every MQTT topic and every Redis key, with type and lifetime, on one page.

MQTT (version 5, QoS 1)
  quietward/v1/<ward>/<bed>/samples   JSON Samples, one a second       not retained
  quietward/v1/<ward>/<bed>/status    online / offline (last will)     retained
  quietward/v1/<ward>/_ingest/samples empty, once a second: ingest to itself (no bed can have this name)   not retained
  Ingest's sessions are named quietward-ingest-<ward>-<session>, where <session> is a random word from the ward's
  layout, empty in wards of version 0.1; with several subscriber slots quietward-ingest-<ward>-<session>-<slot>,
  each a member of the shared subscription $share/<group>/quietward/v1/<ward>/+/samples, where <group> is `quietward`,
  or, after `quietward reseat`, the session's word.

Redis, per shard of a ward (all keys of one shard share a hash tag, so that one atomic commit can hold them)
  quietward:{<ward>:<n>}:input        stream, field `e`: msgpack list of Input      trimmed by age, 24 h by default
  quietward:{<ward>:<n>}:owner        string: fencing token, grows with each take-over             for good
  quietward:{<ward>:<n>}:position     string: id of the last input entry whose outputs are written  for good
  quietward:{<ward>:<n>}:checkpoint   hash: position, 0, 1... (pieces of the detector's state)     replaced
  quietward:{<ward>:<n>}:saving:<token>  the next one while its pieces are written                     10 min
  quietward:{<ward>:<n>}:summary      hash: bed -> JSON Summary                                     overwritten
  quietward:{<ward>:<n>}:log:<bed>    stream, field `e`: JSON Event                                 newest 20,000
  quietward:{<ward>:<n>}:trend:<bed>  stream, field `e`: JSON Event of kind "minute"         newest 1,440 (a day)
  quietward:{<ward>:<n>}:log:<bed>:<stay>, trend:<bed>:<stay>  the same from an arrival or a leaving on; once that stay
                                      has ended, `read_h` of detect/rules/stay.toml
  quietward:{<ward>:<n>}:refusals     hash: "<bed> <why>" -> seconds that were not used (repeated, late, superseded,
                                      failed), or not when their device says (time); "? unreadable" -> items
  quietward:{<ward>:<n>}:aside        hash: "<entry> <number in it>" -> why it is not worked through     as its entry
  quietward:{<ward>:<n>}:written      channel: "<position> <us since the epoch>" at every commit       not kept

Redis, per ward
  quietward:{<ward>}:layout           hash: shards, seats -> how many the ward has; session, group -> words    for good
  quietward:{<ward>}:parts            hash: "<part> <worker>" -> JSON WorkerReport    1 min after its last
  quietward:{<ward>}:workers:<kind>   hash: worker -> ms of its last claim; kind: detect or ingest
  quietward:{<ward>}:held:<kind>      hash: number of a shard or slot -> worker that holds it
  quietward:{<ward>}:policy           string: JSON PolicyInfo of  the running detector              overwritten
  quietward:{<ward>}:beds             set: beds that the ward has taken                              for good
  quietward:{<ward>}:unexpected       hash: device that the ward does not expect -> ms of when it was first and last
                                      heard                                50 at most, forgotten after a day of silence
  quietward:{<ward>}:taken-in         set: devices that somebody has taken in all the same              for good
  quietward:{<ward>}:forgotten        set: "<bed> <stay>" of records that were deleted before their time   14 days after
                                      its newest; no `read_h` is longer
  quietward:{<ward>}:refusals         hash: "<bed> <reason>" -> count of refused messages; bed `?`: of all others;
                                      reason ignored-field: used, but for fields that are not known here
  quietward:{<ward>}:refused          stream, field `e`: JSON RefusedMessage       newest 1,000
  quietward:{<ward>}:audit            stream, field `e`: JSON AuditEntry, who did what on the page   newest 100,000
  quietward:{<ward>}:audit-refused    the same of what was refused: acts, and attempts to sign in     newest 1,000
  quietward:{<ward>}:secret           string: what sessions of the page are signed with         for good
  quietward:{<ward>}:signed-out:<id>  string: a session that was ended before its time           12 h
  quietward:{<ward>}:attempts:<hash>  string: count of wrong passwords                           5 min
"""

from dataclasses import dataclass
from zlib import crc32

TOPIC_ROOT = "quietward/v1"
REFUSED_KEPT = 1_000
LOG_KEPT = 20_000
"""Three weeks of 40 lines an hour, 5 MB. No stay lasts so long, but it may not be noted that a woman has left."""
TREND_KEPT = 1_440
AUDIT_KEPT = 100_000
AUDIT_REFUSED_KEPT = 1_000


@dataclass(frozen=True)
class Ward:
    """Names of one ward's topics and keys. `shards` must be the same for every service of the ward."""

    name: str
    shards: int = 1

    def samples_topic(self, bed: str) -> str:
        """Topic a bed's device publishes its seconds on."""
        return f"{TOPIC_ROOT}/{self.name}/{bed}/samples"

    def status_topic(self, bed: str) -> str:
        """Topic of a bed's retained status and last will."""
        return f"{TOPIC_ROOT}/{self.name}/{bed}/status"

    @property
    def own_topic(self) -> str:
        """Topic that ingest sends to itself on: what it subscribes to holds it, and no bed can have the name."""
        return self.samples_topic("_ingest")

    @property
    def all_topics(self) -> str:
        """Filter of everything that devices of this ward publish."""
        return f"{TOPIC_ROOT}/{self.name}/+/+"

    def shared_samples(self, group: str) -> str:
        """Filter that delivers every second to one of several subscribers, the members of a group."""
        return f"$share/{group}/{self.samples_topic('+')}"

    def shard_of(self, bed: str) -> int:
        """Shard that holds a bed; the same in every process and version."""
        return crc32(bed.encode()) % self.shards

    def shard(self, number: int) -> "Shard":
        """Keys of one shard."""
        return Shard(f"quietward:{{{self.name}:{number}}}", number, self)

    def home_of(self, bed: str) -> "Shard":
        """Keys of the shard that holds a bed."""
        return self.shard(self.shard_of(bed))

    @property
    def all_shards(self) -> list["Shard"]:
        """Keys of every shard."""
        return [self.shard(n) for n in range(self.shards)]

    @property
    def topology(self) -> str:
        """How many shards and subscriber slots the ward has."""
        return f"quietward:{{{self.name}}}:layout"

    def workers(self, kind: str) -> str:
        """Workers of a kind that are alive."""
        return f"quietward:{{{self.name}}}:workers:{kind}"

    def holders(self, kind: str) -> str:
        """Which worker of a kind holds which lease."""
        return f"quietward:{{{self.name}}}:held:{kind}"

    @property
    def heartbeats(self) -> str:
        """What each worker says of itself, once a second."""
        return f"quietward:{{{self.name}}}:parts"

    @property
    def policy(self) -> str:
        """What the page needs to know of the attention policy."""
        return f"quietward:{{{self.name}}}:policy"

    @property
    def beds(self) -> str:
        """The beds that the ward has taken."""
        return f"quietward:{{{self.name}}}:beds"

    @property
    def unexpected(self) -> str:
        """Devices that the ward does not expect, and when they were heard."""
        return f"quietward:{{{self.name}}}:unexpected"

    @property
    def taken_in(self) -> str:
        """Devices that the ward did not expect, and somebody has taken in."""
        return f"quietward:{{{self.name}}}:taken-in"

    @property
    def forgotten(self) -> str:
        """Records of women who have left that were deleted before their time."""
        return f"quietward:{{{self.name}}}:forgotten"

    @property
    def refusals(self) -> str:
        """Counts of refused messages."""
        return f"quietward:{{{self.name}}}:refusals"

    @property
    def refused(self) -> str:
        """The newest refused messages."""
        return f"quietward:{{{self.name}}}:refused"

    @property
    def audit(self) -> str:
        """Audit log: who did what on the page."""
        return f"quietward:{{{self.name}}}:audit"

    @property
    def audit_refused(self) -> str:
        """Audit log: what was refused."""
        return f"quietward:{{{self.name}}}:audit-refused"

    @property
    def secret(self) -> str:
        """The key that signs the page's sessions."""
        return f"quietward:{{{self.name}}}:secret"

    def signed_out(self, session: str) -> str:
        """A session that was ended before it expired."""
        return f"quietward:{{{self.name}}}:signed-out:{session}"

    def attempts(self, digest: str) -> str:
        """Count of failed attempts to sign in."""
        return f"quietward:{{{self.name}}}:attempts:{digest}"


@dataclass(frozen=True)
class Shard:
    """Keys of one shard."""

    root: str
    number: int
    ward: Ward

    @property
    def input(self) -> str:
        """Stream of inputs."""
        return f"{self.root}:input"

    @property
    def owner(self) -> str:
        """Fencing token."""
        return f"{self.root}:owner"

    @property
    def position(self) -> str:
        """Id of the last input entry whose outputs are written."""
        return f"{self.root}:position"

    @property
    def checkpoint(self) -> str:
        """The detector's saved state and its position."""
        return f"{self.root}:checkpoint"

    def saving(self, token: str) -> str:
        """The next checkpoint, still incomplete, of the owner with this token."""
        return f"{self.root}:saving:{token}"

    @property
    def summary(self) -> str:
        """Live summaries."""
        return f"{self.root}:summary"

    @property
    def refusals(self) -> str:
        """Counts of seconds that were repeated or too late."""
        return f"{self.root}:refusals"

    @property
    def aside(self) -> str:
        """Inputs that could not be worked through."""
        return f"{self.root}:aside"

    @property
    def written(self) -> str:
        """Channel on which every commit is published."""
        return f"{self.root}:written"

    def log(self, bed: str, stay: int = 0) -> str:
        """Event log of one stay at a bed; 0: from before the first arrival."""
        return f"{self.root}:log:{bed}" + (f":{stay}" if stay else "")

    def trend(self, bed: str, stay: int = 0) -> str:
        """Minute-by-minute values of one stay at a bed."""
        return f"{self.root}:trend:{bed}" + (f":{stay}" if stay else "")
