"""What `assess` returns: everything that was found, as types, tables and pictures."""

from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from msgspec import Struct, structs

from quietward.contracts.errors import BadSettings, extra, possible
from quietward.contracts.fields import HZ, encode_json
from quietward.contracts.log import Event
from quietward.contracts.notice import NOTICE
from quietward.contracts.summary import TWIN_WORDS
from quietward.detect.assessment import Assessment, Minute, SecondTwin
from quietward.drawing.strip import Level, Mark, Moment, PaperScale, Trace, sheets, svg
from quietward.recordings.annotations import annotations_of
from quietward.recordings.recording import Annotation, Signal

if TYPE_CHECKING:
    import pandas as pd

SCALE = PaperScale(cm_per_min=1, bpm_per_cm=20)
SHOWN_SHEETS = 2
"""Sheets of the strip in a notebook: each is some 150 kB."""
FINDINGS, SIGNALS = "findings", "signals"
TABLES = ("baseline", "variability", "contractions", "accelerations", "decelerations", "marks", "assessments",
          "not_assessed", "flags", "noted", "withdrawn")  # fmt: skip
"""Fields that hold a table, one row for each item."""


class Result(Assessment, frozen=True, kw_only=True, eq=False):
    """All that is found in one recording. Not for diagnosis.

    Beside the fields of `Assessment`: fhr (bpm) and ua, shape (n,), 4 Hz, NaN where there is no value, as they were
    used; fhr2: as fhr, of a second twin, None without; log: what the live system would have written of such a bed,
    oldest first, times in ms from the first sample.
    """

    fhr: Signal
    ua: Signal
    log: list[Event]
    fhr2: Signal | None = None

    @property
    def findings(self) -> list[Annotation]:
        """The log as annotations, by their beginning: kind, from_s, to_s (None for a moment), text.

        `quietward.write_recording(path, result.fhr, result.ua, annotations=result.findings)` keeps them in a file, with
        twins and `fhr2=result.fhr2`.
        """
        return annotations_of(self.log)

    def to_json(self) -> str:
        """Return what `quietward assess --json` prints, without signals and log."""
        return encode_json({name: getattr(self, name) for name in Assessment.__struct_fields__}).decode()

    def to_frame(self, table: str = FINDINGS) -> "pd.DataFrame":
        """Return a table as a pandas DataFrame, whose `attrs` carry the notice.

        table: `findings` (all that was said, by time), `signals` (t_s, fhr, ua, with twins fhr2; 4 rows a second), or
        the name of a field that is a list, such as `decelerations`; one row for each item, times in seconds from the
        first sample. With twins such a table has a column `fetus`, 1 or 2.
        Raises BadSettings if there is no such table, MissingExtra if pandas is not installed (extra `frames`).
        """
        with extra("frames", "to_frame"):
            import pandas as pd
        if table == SIGNALS:
            times = [i / HZ for i in range(len(self.fhr))]
            second = {} if self.fhr2 is None else {"fhr2": self.fhr2}
            frame = pd.DataFrame({"t_s": times, "fhr": self.fhr, "ua": self.ua} | second)
        elif table == FINDINGS:
            columns = ["kind", "from_s", "to_s", "text"]
            frame = pd.DataFrame([[getattr(x, name) for name in columns] for x in self.findings], columns=columns)
        elif table in TABLES:
            frame = pd.DataFrame(self._rows(table), columns=self._columns(table))
        else:
            raise BadSettings("to_frame", table, possible([FINDINGS, SIGNALS, *TABLES], table))
        frame.attrs["notice"] = NOTICE
        return frame

    def _rows(self, table: str) -> list[dict[str, Any]]:
        rows = [structs.asdict(row) for row in getattr(self, table)]
        if self.second_twin is None:
            return rows
        of_second = [structs.asdict(row) | {"fetus": 2} for row in getattr(self.second_twin, table, [])]
        return [row | {"fetus": 1} for row in rows] + of_second

    def _columns(self, table: str) -> list[str]:
        item: type[Struct] = _ITEMS[table]
        return [*item.__struct_fields__, *([] if self.second_twin is None else ["fetus"])]

    def strip(self, from_s: float = 0.0) -> str:
        """Return up to 27 minutes of the strip from `from_s` on, with findings and flags, as one SVG, 270 mm wide.

        Raises BadSettings if the recording has ended by then.
        """
        if not 0 <= from_s < self.duration_s:
            raise BadSettings("from_s", from_s, f"Use seconds of the recording, 0 to below {self.duration_s:g}")
        until_s = min(from_s + SCALE.sheet_s, self.duration_s)
        title = f"Strip of {self.record}, minute {from_s / 60:g} to {until_s / 60:g}"
        return svg(self._trace(), SCALE, from_s, until_s, lambda second: f"{second / 60:g} min", title)

    def _trace(self) -> Trace:
        marks, levels, moments = [], [], []
        for which, fetus in self._fetuses():
            marks += [Mark("deceleration", x.onset_s, x.end_s, f"{which}{x.kind}") for x in fetus.decelerations]
            marks += [Mark("acceleration", x.onset_s, x.end_s, "") for x in fetus.accelerations]
            levels += [Level(x.t_s - 60, x.t_s, x.bpm) for x in fetus.baseline if x.bpm is not None]
            moments += [Moment(f"flag-{x.level}", x.raised_s, x.level) for x in fetus.flags]
        marks += [Mark("contraction", x.onset_s, x.end_s, "") for x in self.contractions]
        moments.sort(key=lambda moment: moment.at_s)
        return Trace(0, self.fhr, self.ua, marks, levels, moments, self.fhr2)

    def _fetuses(self) -> list[tuple[str, Assessment | SecondTwin]]:
        """Return what is found of each fetus, and how a sentence about that one begins."""
        if self.second_twin is None:
            return [("", self)]
        return list(zip(TWIN_WORDS, (self, self.second_twin), strict=True))

    def __repr__(self) -> str:
        counts = ", ".join(
            f"{len(getattr(self, name))} {name}"
            for name in ("contractions", "accelerations", "decelerations", "flags", "noted")
        )
        return f"<Result of {self.record}: {self.duration_s / 60:g} min, {self.rules}; {counts}>"

    def _repr_html_(self) -> str:
        """Return the last hour or so as notebooks show it: figures at the end, flags, strip, notice."""
        begins = [from_s for from_s, _ in sheets(self._trace(), SCALE)]
        text: str = _template.render(
            result=self,
            fetuses=self._fetuses(),
            last_of=_last_minute,
            sheets=[self.strip(from_s) for from_s in begins[-SHOWN_SHEETS:]],
            left_out=len(begins) > SHOWN_SHEETS,
            notice=NOTICE,
        )
        return text


def _last_minute(fetus: Assessment | SecondTwin) -> Minute | None:
    return max([*fetus.assessments, *fetus.not_assessed], key=lambda minute: minute.t_s, default=None)


def _items() -> dict[str, type[Struct]]:
    fields: dict[str, Any] = {field.name: field.type for field in structs.fields(Assessment)}
    return {name: fields[name].__args__[0] for name in TABLES}


_ITEMS = _items()
_environment = Environment(
    loader=PackageLoader("quietward.api"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
    lstrip_blocks=True, auto_reload=False,
)  # fmt: skip
_template = _environment.get_template("result.html")
