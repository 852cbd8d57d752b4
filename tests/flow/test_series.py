"""Logs on disk to samples. The expected values are the numbers written into the files themselves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flow.disk.table import CHUNK_ROWS, read_table, time_span_s
from flow.errors import DataError
from flow.series import read_attitude, read_gyro, read_range, read_truth

GYRO = "time_s,gyro_x_rad_s,gyro_y_rad_s,gyro_z_rad_s"
ACCEL = "accel_x_m_s2,accel_y_m_s2,accel_z_m_s2"
TRUTH = "time_s,forward_m_s,right_m_s,down_m_s,height_m"


def drained(path: Path, reader: Callable[[Path], Iterator[object]]) -> list[object]:
    return list(reader(path))


@pytest.fixture
def log(tmp_path: Path) -> Callable[[str | bytes], Path]:
    def write(text: str | bytes) -> Path:
        path = tmp_path / "log.csv"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    return write


def test_gyro_keeps_every_digit_axis_and_sign(log: Callable[[str], Path]) -> None:
    path = log(f"{GYRO},{ACCEL}\n0.005,0.1,-0.2,0.30000000000000004,1,2,-9.81\n0.01,-1e-3,2,3,,,\n")
    (samples,) = read_gyro(path)
    np.testing.assert_array_equal(samples.time_s, [0.005, 0.01])
    np.testing.assert_array_equal(samples.rate_rad_s, [[0.1, -0.2, 0.30000000000000004], [-1e-3, 2, 3]])
    assert samples.accel_m_s2 is not None
    np.testing.assert_array_equal(samples.accel_m_s2[0], [1, 2, -9.81])
    assert np.isnan(samples.accel_m_s2[1]).all()
    assert not samples.rate_rad_s.flags.writeable


@pytest.mark.parametrize(
    "text",
    [
        "gyro_z_rad_s,note,time_s,gyro_x_rad_s,gyro_y_rad_s\n3,ok,0,1,2\n6,,1,4,5\n",
        "\ufefftime_s , gyro_x_rad_s, gyro_y_rad_s,gyro_z_rad_s\r\n 0 , 1 , 2 , 3 \r\n1,4,5,6\r\n",
        '"time_s","gyro_x_rad_s","gyro_y_rad_s","gyro_z_rad_s"\n"0","1","2","3"\n\n1,4,5,6',
        f"{GYRO}\n0,1,2,3,\n1,4,5,6,\n",
    ],
)
def test_order_blanks_quotes_and_line_ends_do_not_matter(log: Callable[[str], Path], text: str) -> None:
    (samples,) = read_gyro(log(text))
    np.testing.assert_array_equal(np.column_stack([samples.time_s, samples.rate_rad_s]), [[0, 1, 2, 3], [1, 4, 5, 6]])


def test_an_empty_cell_is_no_reading_and_never_zero(log: Callable[[str], Path]) -> None:
    (gyro,) = read_gyro(log(f"{GYRO}\n0,1,1,1\n0.1,,1,1\n0.2,1,1,\n0.3,2,2,2\n"))
    np.testing.assert_array_equal(gyro.time_s, [0, 0.3])
    (ranges,) = read_range(log("time_s,range_m,air_temperature_c\n0,1.5,\n1,,20\n2,1.6,21\n"))
    np.testing.assert_array_equal(ranges.range_m, [1.5, 1.6])
    assert ranges.air_temperature_c is not None
    np.testing.assert_array_equal(ranges.air_temperature_c, [np.nan, 21])
    (attitude,) = read_attitude(log("time_s,roll_rad,pitch_rad\n0,0.1,-0.2\n0.1,,0\n0.2,0.3,0.4\n"))
    np.testing.assert_array_equal(attitude.roll_rad, [0.1, 0.3])
    np.testing.assert_array_equal(attitude.pitch_rad, [-0.2, 0.4])
    truth = read_truth(log(f"{TRUTH}\n0,1,2,3,4\n1,,2,3,\n"))
    np.testing.assert_array_equal(truth.forward_m_s, [1, np.nan])
    np.testing.assert_array_equal(truth.height_m, [4, np.nan])


def test_chunks_join_without_loss_and_times_are_checked_across_them(log: Callable[[str], Path]) -> None:
    count = CHUNK_ROWS + 100
    rows = [f"{i / 1000},{i % 7},0,0" for i in range(count)]
    chunks = list(read_gyro(log("\n".join([GYRO, *rows]))))
    assert len(chunks) == 2
    np.testing.assert_array_equal(np.concatenate([c.time_s for c in chunks]), np.arange(count) / 1000)
    assert chunks[1].rate_rad_s[0, 0] == CHUNK_ROWS % 7
    rows[CHUNK_ROWS] = rows[CHUNK_ROWS - 1]
    with pytest.raises(DataError, match=rf"log.csv:{CHUNK_ROWS + 2}: time_s: time repeats: 32.767 s after 32.767 s"):
        list(read_gyro(log("\n".join([GYRO, *rows]))))


def wide(count: int, step: str, cells: str) -> str:
    return "".join(f"{i * float(step)},{cells}\n" for i in range(count))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "log.csv: empty file"),
        (f"{GYRO}\n", "log.csv: holds no reading"),
        (f"{GYRO}\n0,,,\n", "log.csv: holds no reading"),
        (
            "time_s,gyro_x_rad_s,gyro_y_rad_s\n",
            "log.csv:1: gyro_z_rad_s: column missing; found time_s, gyro_x_rad_s",
        ),
        (f"{GYRO},gyro_x_rad_s\n0,0,0,0,0\n", "log.csv:1: gyro_x_rad_s: column given twice"),
        (f"{GYRO}\n0,0,0,0\n1,0,abc,0\n", "log.csv:3: gyro_y_rad_s: 'abc' is not a finite number"),
        (f"{GYRO}\n0,0,0,0\n\n2,0,0,nan\n", "log.csv:4: gyro_z_rad_s: 'nan' is not a finite number"),
        (f"{GYRO}\n0,0,0,inf\n", "log.csv:2: gyro_z_rad_s: 'inf' is not a finite number"),
        (f"{GYRO}\n0,0,0,1e999\n", "log.csv:2: gyro_z_rad_s: 'inf' is not a finite number"),
        (f"{GYRO}\n0,0,True,0\n", "log.csv:2: gyro_y_rad_s: 'True' is not a finite number"),
        (f"{GYRO}\n,0,0,0\n", "log.csv:2: time_s: empty"),
        (f"{GYRO}\n5,0,0,0\n4.5,0,0,0\n", "log.csv:3: time_s: time runs backwards: 4.5 s after 5 s"),
        (f"{GYRO}\n5,0,0,0\n5,0,0,0\n", "log.csv:3: time_s: time repeats: 5 s after 5 s"),
        (
            f"{GYRO}\n0,0,-912,0\n",
            "log.csv:2: gyro_y_rad_s: -912 rad/s is beyond any gyro; is the log in deg/s?",
        ),
        (
            f"{GYRO}\n{wide(50, '0.01', '20,0,15')}",
            "log.csv:2: gyro_x_rad_s: turns at 25 rad/s (RMS); is the log in deg/s?",
        ),
        (
            f"{GYRO}\n{wide(5, '5', '0,0,0')}",
            "log.csv:2: time_s: rows are 5 s apart (median); is time in milliseconds?",
        ),
        (f"{GYRO}\n{wide(5, '5000', '0,0,0')}", "is time in microseconds?"),
        (f"{GYRO}\n{wide(5, '5000000', '0,0,0')}", "is time in nanoseconds?"),
        (
            f"{GYRO},{ACCEL}\n0,0,0,0,0,0,-981\n",
            "log.csv:2: accel_z_m_s2: -981 m/s2 is beyond any accelerometer",
        ),
        (f"{GYRO},{ACCEL}\n{wide(20, '0.01', '0,0,0,0.1,0,-1')}", "(median); is the log in g?"),
        (f"{GYRO},accel_x_m_s2\n0,0,0,0,0\n", "log.csv:1: accel_y_m_s2: column missing beside accel_x_m_s2"),
        (f"{GYRO}\n0,0,0,0,0,0\n", "log.csv:2: more cells than the 4 of the header"),
        (f"{GYRO}\n0,0,0,0\n1,0,0,0\n2,0,0,0,5\n", "log.csv:4: more cells than the 4 of the header"),
        (f"{GYRO}\n0,0,0,0\n1,0,0,0,,,,5,7\n", "log.csv:3: more cells than the 4 of the header"),
        (f'{GYRO}\n0,0,0,0\n1,"0,0,0\n', "log.csv: not a table: "),
        (b"\x00\x01\x02\x03" * 64, "log.csv: not a text file"),
        (b"time_s,\xff\xfe\n", "log.csv:1: not a text file in UTF-8"),
        (GYRO.encode() + b"\n0,0,0,\xff\n", "log.csv: not a text file in UTF-8"),
    ],
)
def test_gyro_says_where_and_what(log: Callable[[str | bytes], Path], text: str | bytes, message: str) -> None:
    path = log(text)
    with pytest.raises(DataError) as caught:
        list(read_gyro(path))
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("reader", "text", "message"),
    [
        (read_range, "time_s,range_m\n0,-1\n", "log.csv:2: range_m: -1 m is negative"),
        (read_range, "time_s,range_m\n0,1\n1,1530\n", "log.csv:3: range_m: 1530 m is too far"),
        (read_range, f"time_s,range_m\n{wide(5, '50', '1')}", "is time in milliseconds?"),
        (
            read_range,
            "time_s,range_m,air_temperature_c\n0,1,293\n",
            "log.csv:2: air_temperature_c: 293 is no air",
        ),
        (read_attitude, "time_s,roll_rad,pitch_rad\n0,12.5,0\n", "log.csv:2: roll_rad: 12.5 rad is beyond"),
        (read_attitude, "time_s,roll_rad,pitch_rad\n0,0,-3\n", "log.csv:2: pitch_rad: -3 rad is beyond"),
    ],
)
def test_other_logs_say_where_and_what(
    log: Callable[[str], Path], reader: Callable[[Path], Iterator[object]], text: str, message: str
) -> None:
    path = log(text)
    with pytest.raises(DataError) as caught:
        drained(path, reader)
    assert message in str(caught.value)


def test_truth_says_where_and_what(log: Callable[[str], Path]) -> None:
    with pytest.raises(DataError, match=r"log.csv:2: right_m_s: 1200 m/s is too fast"):
        read_truth(log(f"{TRUTH}\n0,0,1200,0,1\n"))
    with pytest.raises(DataError, match="holds no reading"):
        read_truth(log(f"{TRUTH}\n"))


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="no such file"):
        read_gyro(tmp_path / "gyro.csv")
    with pytest.raises(DataError, match="is a folder"):
        read_gyro(tmp_path)


def test_limits_let_wild_but_real_flights_through(log: Callable[[str], Path]) -> None:
    # 2000 deg/s = 34.9 rad/s is the full scale of common rate gyros (common practice): a flip may reach it.
    rows = "".join(f"{i / 100},{34.9 if i == 50 else 0.5},0,0,0,0,{-9.81}\n" for i in range(100))
    (samples,) = read_gyro(log(f"{GYRO},{ACCEL}\n{rows}"))
    assert samples.rate_rad_s[:, 0].max() == 34.9


def test_span_comes_from_the_ends_of_the_file(log: Callable[[str], Path]) -> None:
    rows = "".join(f"{i / 1000},0,0,0\n" for i in range(20_000))
    assert time_span_s(log(f"{GYRO}\n{rows}")) == (0.0, 19.999)
    assert time_span_s(log(f"{GYRO}\n{rows}20.0")) == (0.0, 20.0)
    assert time_span_s(log(f"{GYRO}\n{rows}\n,,,\n")) == (0.0, 19.999)
    assert time_span_s(log(f"{GYRO}\n7,0,0,0")) == (7.0, 7.0)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    body=st.one_of(
        st.binary(max_size=80),
        st.text(alphabet='0123456789.,-+eE"\r\n \t;#naif_', max_size=80).map(str.encode),
        st.lists(
            st.lists(st.one_of(st.just(""), st.floats(width=32).map(str), st.integers().map(str)), max_size=6),
            max_size=6,
        ).map(lambda rows: "\n".join(",".join(row) for row in rows).encode()),
    )
)
def test_any_bytes_give_samples_or_one_clear_line(tmp_path: Path, body: bytes) -> None:
    path = tmp_path / "any.csv"
    for header, reader in (
        (f"{GYRO},{ACCEL}\n", read_gyro),
        ("time_s,range_m\n", read_range),
        ("", read_attitude),
    ):
        path.write_bytes(header.encode() + body)
        try:
            chunks = drained(path, reader)
        except DataError as error:
            assert str(error).startswith(str(path))
            assert "\n" not in str(error)
        else:
            times = np.concatenate([chunk.time_s for chunk in chunks])  # type: ignore[attr-defined]
            assert np.isfinite(times).all()
            assert (np.diff(times) > 0).all()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    values=st.lists(st.one_of(st.none(), st.floats(allow_nan=False, allow_infinity=False)), min_size=1, max_size=20),
    rows_at_a_time=st.integers(1, 7),
)
def test_numbers_survive_the_file_exactly(tmp_path: Path, values: list[float | None], rows_at_a_time: int) -> None:
    path = tmp_path / "exact.csv"
    path.write_text("time_s,x\n" + "".join(f"{i},{'' if v is None else repr(v)}\n" for i, v in enumerate(values)))
    tables = list(read_table(path, ["time_s", "x"], chunk_rows=rows_at_a_time))
    read = list(chain.from_iterable(table.columns["x"] for table in tables))
    np.testing.assert_array_equal(read, [np.nan if v is None else v for v in values])
    assert list(chain.from_iterable(table.lines for table in tables)) == list(range(2, len(values) + 2))


def test_zero_bytes_of_a_power_failure_are_named(tmp_path: Path) -> None:
    """A file system that lost power leaves a file at its full length, the last block zeros."""
    path = tmp_path / "gyro.csv"
    rows = "".join(f"{k / 1000},0.1,0,0\n" for k in range(8000))
    path.write_bytes(f"{GYRO}\n{rows}".encode() + bytes(4096))
    with pytest.raises(DataError, match=r"gyro.csv:8002: zero bytes instead of text"):
        list(read_gyro(path))
