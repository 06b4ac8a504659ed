"""Every format: what is written is read again, annotations and all, and the format's own package reads the same."""

import json
import re
import tempfile
from datetime import UTC, datetime, timedelta
from math import inf
from pathlib import Path
from typing import Any, NamedTuple

import edfio
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import wfdb
from fhir.resources.bundle import Bundle
from hypothesis import given, settings
from hypothesis import strategies as st

from quietward.contracts.errors import BadRecording
from quietward.contracts.fields import HZ
from quietward.contracts.notice import NOTICE
from quietward.recordings import SUFFIXES
from quietward.recordings.files import read_recording, write_recording
from quietward.recordings.recording import Annotation, LabourContext, Signal

MISSING_IN_EDF = -0.01
NAMES = ("one", "patient 12", "ward1.bed2", "Jørgensen, Åse (2)", "a#b", "-1")
"""Of files: spaces, dots and other letters are usual where people name them."""


class Written(NamedTuple):
    """A recording on its way into a file."""

    fhr: Signal
    ua: Signal
    annotations: list[Annotation]
    began: datetime | None
    labour: LabourContext
    fhr2: Signal | None = None


def signals(seconds: int, lowest: int, highest: int) -> st.SearchStrategy[Signal]:
    """Hundredths, as WFDB and EDF+ keep them."""
    hundredth = st.integers(lowest * 100, highest * 100).map(lambda x: x / 100)
    values = st.lists(st.none() | hundredth, min_size=seconds * HZ, max_size=seconds * HZ)
    return values.map(lambda x: np.array(x, dtype=np.float64))


@st.composite
def recordings(draw: st.DrawFn) -> Written:
    seconds = draw(st.integers(1, 20))
    quarters = st.integers(0, 40_000).map(lambda x: x / HZ)
    kinds = st.sampled_from(["deceleration", "flag-raised", "noted", "care", "noted-over"])
    texts = st.text(st.characters(categories=["L", "N", "P", "S", "Zs"], exclude_characters=""), max_size=40)
    moments = st.builds(Annotation, quarters, st.none(), kinds, texts)
    spans = st.builds(lambda a, b, k, t: Annotation(a, a + b, k, t), quarters, quarters, kinds, texts)
    annotations = draw(st.lists(moments | spans, max_size=8))
    since = st.timedeltas(timedelta(0), timedelta(days=40_000)).map(lambda x: x - x % timedelta(milliseconds=1))
    began = draw(st.none() | since.map(lambda x: datetime(1985, 1, 2, tzinfo=UTC) + x / 2))
    began = None if began is None else began.replace(microsecond=began.microsecond // 1000 * 1000)
    order = sorted(annotations, key=lambda x: x.from_s)
    labour = LabourContext(draw(st.integers(0, 45)), draw(st.just(inf) | st.floats(0, 1e5)))
    rates = signals(seconds, 20, 300)
    fhr2 = draw(st.none() | rates.filter(lambda x: not np.isnan(x).all()))
    return Written(draw(rates), draw(signals(seconds, 0, 127)), order, began, labour, fhr2)


def put_down(folder: str, suffix: str, written: Written, name: str = "one") -> Path:
    path = Path(folder) / f"{name}{suffix}"
    more = {"annotations": written.annotations, "began": written.began, "labour": written.labour, "fhr2": written.fhr2}
    write_recording(path, written.fhr, written.ua, **more)  # type: ignore[arg-type]
    return path


@pytest.mark.parametrize("suffix", SUFFIXES)
@given(written=recordings(), name=st.sampled_from(NAMES))
@settings(max_examples=40, deadline=None)
def test_what_is_written_is_read_again(suffix: str, written: Written, name: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        found = read_recording(put_down(folder, suffix, written, name))
    np.testing.assert_allclose(found.fhr, written.fhr, atol=1e-9)
    np.testing.assert_allclose(found.ua, written.ua, atol=1e-9)
    assert (found.fhr2 is None) == (written.fhr2 is None)
    if found.fhr2 is not None and written.fhr2 is not None:
        np.testing.assert_allclose(found.fhr2, written.fhr2, atol=1e-9)
    assert found.name == name
    if suffix != ".edf" or found.began is None or written.began is None:
        assert found.began == written.began
    else:
        assert abs(found.began - written.began) <= timedelta(seconds=0.125), "half a sample"
    assert found.labour == written.labour
    key = lambda x: (x.from_s, x.kind, x.text, x.to_s or 0)  # noqa: E731
    assert sorted(found.annotations, key=key) == sorted(written.annotations, key=key)


@given(written=recordings(), name=st.sampled_from(NAMES))
@settings(max_examples=15, deadline=None)
def test_wfdb_reads_our_records_and_annotations(written: Written, name: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = str(put_down(folder, ".hea", written, name)).removesuffix(".hea")
        record = wfdb.rdrecord(path)
        noted = wfdb.rdann(path, "qwd") if written.annotations else None
    second = [] if written.fhr2 is None else [written.fhr2]
    np.testing.assert_allclose(record.p_signal, np.column_stack([written.fhr, written.ua, *second]), atol=1e-9)
    n = 2 + len(second)
    assert (record.sig_name, record.units, record.fs) == (["FHR", "UA", "FHR2"][:n], ["bpm", "nd", "bpm"][:n], HZ)
    assert record.base_datetime == (None if written.began is None else written.began.replace(tzinfo=None))
    if noted is not None:
        assert noted.sample.tolist() == [round(x.from_s * HZ) for x in written.annotations]
        assert set(noted.symbol) <= {'"', "="}
        assert all(x.kind in text for x, text in zip(written.annotations, noted.aux_note, strict=True))


@given(written=recordings())
@settings(max_examples=15, deadline=None)
def test_edfio_reads_our_files(written: Written) -> None:
    with tempfile.TemporaryDirectory() as folder:
        edf = edfio.read_edf(put_down(folder, ".edf", written))
        assert edf.labels == (("FHR", "UA") if written.fhr2 is None else ("FHR", "UA", "FHR2"))
        heart = edf.get_signal("FHR")
        assert (heart.physical_dimension, heart.sampling_frequency) == ("bpm", HZ)
        np.testing.assert_allclose(heart.data, np.where(np.isnan(written.fhr), MISSING_IN_EDF, written.fhr), atol=1e-9)
        texts = [x.text for x in edf.annotations]
        assert sorted(texts) == sorted(f"{x.kind}: {x.text}" for x in written.annotations)
        assert edf.recording.additional == ("not-for-diagnosis",)
        assert edf.reserved.startswith("EDF+C")


@given(written=recordings())
@settings(max_examples=15, deadline=None)
def test_another_reader_of_edf_reads_our_files(written: Written) -> None:
    """pyedflib is a library in C of others: it refuses what strays from EDF+."""
    pyedflib = pytest.importorskip("pyedflib")
    with tempfile.TemporaryDirectory() as folder, pyedflib.EdfReader(str(put_down(folder, ".edf", written))) as edf:
        signals = [written.fhr, written.ua, *([] if written.fhr2 is None else [written.fhr2])]
        assert edf.getSignalLabels() == ["FHR", "UA", "FHR2"][: len(signals)]
        assert edf.filetype == pyedflib.FILETYPE_EDFPLUS
        for place, signal in enumerate(signals):
            assert edf.getSampleFrequency(place) == HZ
            np.testing.assert_allclose(
                edf.readSignal(place), np.where(np.isnan(signal), MISSING_IN_EDF, signal), atol=1e-9
            )
        onsets_s, lasts_s, texts = edf.readAnnotations()
        noted = sorted(zip(texts.tolist(), onsets_s.tolist(), lasts_s.tolist(), strict=True))
        ours = sorted(
            (f"{x.kind}: {x.text}", x.from_s, -1.0 if x.to_s is None else x.to_s - x.from_s)
            for x in written.annotations
        )
        assert [text for text, *_ in noted] == [text for text, *_ in ours]
        np.testing.assert_allclose([times for _, *times in noted], [times for _, *times in ours], atol=1e-4)
        if written.began is not None:
            begins = edf.getStartdatetime().replace(microsecond=0)  # it takes half a second for a twentieth
            half_a_sample, began = timedelta(seconds=0.5 / HZ), written.began.replace(tzinfo=None)
            assert begins in {(began + s * half_a_sample).replace(microsecond=0) for s in (-1, 1)}


@given(written=recordings())
@settings(max_examples=15, deadline=None)
def test_pandas_reads_our_tables(written: Written) -> None:
    with tempfile.TemporaryDirectory() as folder:
        frame = pd.read_parquet(put_down(folder, ".parquet", written))
    assert list(frame.columns) == ["t_s", "fhr", "ua", *([] if written.fhr2 is None else ["fhr2"])]
    np.testing.assert_allclose(frame["t_s"], np.arange(len(written.fhr)) / HZ, atol=1e-9)
    for name, signal in (("fhr", written.fhr), ("ua", written.ua), ("fhr2", written.fhr2)):
        if signal is not None:
            np.testing.assert_allclose(frame[name].astype(float), signal, atol=1e-9)


@given(written=recordings())
@settings(max_examples=15, deadline=None)
def test_pyarrow_reads_our_files(written: Written) -> None:
    with tempfile.TemporaryDirectory() as folder:
        table = pq.read_table(put_down(folder, ".parquet", written))
    assert table.column_names == ["t_s", "fhr", "ua", *([] if written.fhr2 is None else ["fhr2"])]
    assert table.column("fhr").null_count == np.isnan(written.fhr).sum()
    assert NOTICE in table.schema.metadata[b"quietward"].decode()


@given(written=recordings())
@settings(max_examples=15, deadline=None)
def test_what_we_write_is_fhir(written: Written) -> None:
    with tempfile.TemporaryDirectory() as folder:
        bundle: Any = Bundle.model_validate_json(put_down(folder, ".fhir.json", written).read_bytes())
    heart, womb, *rest = [entry.resource for entry in bundle.entry]
    twins = rest[: written.fhr2 is not None]
    findings = rest[len(twins) :]
    assert (heart.code.coding[0].system, heart.code.coding[0].code) == ("http://loinc.org", "55283-6")
    sampled = heart.valueSampledData
    assert (sampled.origin.system, sampled.origin.code) == ("http://unitsofmeasure.org", "/min")
    assert (float(sampled.interval), sampled.intervalUnit, sampled.dimensions) == (250, "ms", 1)
    assert len(sampled.data.split()) == len(written.fhr)
    assert sampled.data.split().count("E") == np.isnan(written.fhr).sum()
    assert womb.code.coding is None
    assert len(findings) == len(written.annotations)
    assert all(twin.code.coding[0].code == "55283-6" and "second" in twin.code.text for twin in twins)
    for resource in (heart, womb, *twins, *findings):
        assert resource.meta is None, "no profile is claimed"
        assert resource.note[0].text == NOTICE
    assert len({entry.fullUrl for entry in bundle.entry}) == len(bundle.entry)


@given(written=recordings())
@settings(max_examples=15, deadline=None)
def test_what_we_write_is_senml(written: Written) -> None:
    """Table 1 and section 4 of RFC 8428: a name, one kind of value in each record, no label that must be understood."""
    with tempfile.TemporaryDirectory() as folder:
        pack = json.loads(put_down(folder, ".senml.json", written).read_bytes())
    base = pack[0].get("bt", 0)
    assert (base >= 2**28) == (written.began is not None)
    for record in pack:
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9:./_-]*", pack[0]["bn"] + record["n"])
        assert len(record.keys() & {"v", "vs", "vb", "vd", "s"}) == 1
        assert not any(label.endswith("_") for label in record)
        assert "u" not in record or record["u"] in ("beat/min", "Hz", "count")
    heart = {record.get("t", 0): record["v"] for record in pack if record["n"] == "fhr"}
    assert heart == {i / HZ: x for i, x in enumerate(written.fhr) if not np.isnan(x)}
    assert any(record["n"] == "fhr2" for record in pack) == (written.fhr2 is not None)
    assert NOTICE in [record.get("vs") for record in pack]


@pytest.mark.parametrize("suffix", SUFFIXES)
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_a_broken_file_is_told_in_one_line(suffix: str, data: st.DataObject) -> None:
    written = data.draw(recordings())
    with tempfile.TemporaryDirectory() as folder:
        path = put_down(folder, suffix, written)
        broken = path.with_suffix(".dat") if suffix == ".hea" else path
        whole = broken.read_bytes()
        cut = data.draw(st.integers(0, len(whole) - 1))
        broken.write_bytes(whole[:cut] + data.draw(st.binary(max_size=3)))
        said = ""
        try:
            assert len(read_recording(path).fhr)
        except BadRecording as error:
            said = str(error)
        assert not said or str(Path(folder) / "one") in said
        assert "\n" not in said


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_writing_again_leaves_nothing_of_before(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"one{suffix}"
    fhr = np.full(8, 140.0)
    write_recording(path, fhr, fhr, annotations=[Annotation(0, 1, "noted", "a")], labour=LabourContext(30))
    assert [x.text for x in read_recording(path).annotations] == ["a"]
    write_recording(path, fhr, fhr)
    assert read_recording(path).annotations == ()
    assert read_recording(path).labour == LabourContext()
