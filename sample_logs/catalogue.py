"""What each small sample log shows, and the truth a reader must find in it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SampleLog:
    """One file. Per run: `samples`, and `peaks_c`, the peak [°C] of each temperature column in the file's order.

    A peak is the highest median of three neighbouring present samples, of the values as written, converted to °C.
    `started`: wall-clock start as the log has it, "" if it has none. `faults`: missing values per temperature column.
    """

    file: str
    shows: str
    alloy: str
    interval_s: float
    samples: tuple[int, ...]
    peaks_c: tuple[tuple[float, ...], ...]
    started: str = ""
    faults: tuple[int, ...] = ()

    @property
    def runs(self) -> int:
        return len(self.samples)


SAMPLES: tuple[SampleLog, ...] = (
    SampleLog(
        "aborted.csv",
        "stopped by the operator in the soak; never melted; a remark after the last row",
        "lead-free",
        2.0,
        (108,),
        ((157.0, 154.0),),
        "2024-07-02T16:20:00Z",
    ),
    SampleLog(
        "average_hides_dead_channel.csv",
        "T2 sticks at 177.5 °C from 260 s on; the controller steers by the average, so the board gets far too hot",
        "lead-free",
        2.0,
        (266,),
        ((271.8, 177.5, 265.0, 238.1),),
    ),
    SampleLog(
        "comma_celsius_duty.csv",
        "commas, remarks with firmware, profile and start before the header; set point, three channels, duty in %",
        "lead-free",
        1.0,
        (512,),
        ((245.0, 243.0, 239.8),),
        "2024-04-16T09:12:00+01:00",
    ),
    SampleLog(
        "epoch_seconds.csv",
        "time as seconds since 1970; a channel in the air beside three on the board; duty as a fraction",
        "leaded",
        2.0,
        (173,),
        ((217.5, 216.0, 213.5, 224.2),),
        "1718177400",
    ),
    SampleLog(
        "german_windows_1252.csv",
        "Windows-1252, German words, semicolons, decimal commas, name and value lines before the header, a heavy board",
        "leaded",
        2.0,
        (208,),
        ((215.5, 217.0),),
        "27.05.2024 10:31:00",
    ),
    SampleLog(
        "headerless.csv",
        "no header at all: elapsed seconds, set point, two channels; units and names are not said anywhere",
        "lead-free",
        2.0,
        (260,),
        ((245.2, 239.2),),
    ),
    SampleLog(
        "iso_stamps_fault_marks.csv",
        "ISO stamps with an offset; OPEN and --- where a thermocouple lost contact",
        "lead-free",
        2.0,
        (258,),
        ((244.8, 243.0, 239.8),),
        "2024-06-03T08:45:10+02:00",
        (0, 1, 8),
    ),
    SampleLog(
        "minutes_slow_logger.csv",
        "decimal minutes, one row in three seconds, whole degrees, no set point and no duty",
        "leaded",
        3.0,
        (130,),
        ((216.0, 210.0),),
    ),
    SampleLog(
        "semicolon_decimal_comma.csv",
        "semicolons and decimal commas, wall-clock stamps day first, byte-order mark",
        "leaded",
        2.0,
        (173,),
        ((216.5, 211.2),),
        "23.04.2024 14:05:00",
    ),
    SampleLog(
        "serial_name_value.log",
        "a serial port's lines of name=value with a greeting before and a word after; the door side is cold",
        "leaded",
        2.0,
        (177,),
        ((216.5, 207.5),),
    ),
    SampleLog(
        "space_kelvin_ms.csv",
        "columns padded with spaces, elapsed milliseconds, kelvin; a tired heater",
        "leaded",
        1.5,
        (241,),
        ((211.5, 206.2),),
    ),
    SampleLog(
        "tab_fahrenheit.csv",
        "tabs, units in a row of their own, °F",
        "lead-free",
        2.0,
        (266,),
        ((245.0, 236.0),),
    ),
    SampleLog(
        "two_runs.csv",
        "two runs in one file, the second from a warm oven: the header comes again and the time starts at 0",
        "lead-free, then leaded",
        2.0,
        (249, 177),
        ((245.2, 240.2), (216.2, 211.2)),
    ),
    SampleLog(
        "utf16_clock.csv",
        "UTF-16, elapsed time as h:mm:ss with tenths, the heater as a word",
        "lead-free",
        2.5,
        (203,),
        ((245.0, 241.0),),
    ),
)
