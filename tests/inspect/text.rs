//! Forms of text that no recording has.

use yarder::inspect::Format;
use yarder::inspect::damage::Damage;
use yarder::inspect::frame::Kind;

use crate::told::{Told, inspect};

fn read(text: &str) -> Told {
    inspect(text.as_bytes(), 10).sink
}

#[test]
fn columns_tell_direction_fd_raw_dlc_errors_and_letters() {
    let told = read(
        " (1436509052.000001)  can0  RX - -  123   [8]  11 22 33 44 55 66 77 88\n\
         \x20(1436509052.000002)  can0  TX B -  12345678  [12]  00 01 02 03 04 05 06 07 08 09 0A 0B\n\
         \x20(1436509052.000003)  can0  RX B E  123  [08]  11 22 33 44 55 66 77 88\n\
         \x20(1436509052.000004)  can0  123   {E}  11 22 33 44 55 66 77 88\n\
         \x20(1436509052.000005)  can0  123   [4]  remote request\n\
         \x20(1436509052.000006)  can0  20000080   [8]  00 00 00 00 00 00 00 00   ERRORFRAME\n\
         \tbus-error\n\
         \x20(1436509052.000007)  can0  123   [2]  41 42                     'AB'\n\
         \x20(1436509052.000008)  can0  123   [0] \n",
    );
    assert_eq!(told.damage, []);
    let fd = Kind::FD.with(Kind::BRS);
    assert_eq!(
        told.kinds,
        [
            Kind::DATA,
            Kind::EXTENDED.with(Kind::SENT).with(fd),
            fd.with(Kind::ESI),
            Kind::DATA,
            Kind::REMOTE,
            Kind::ERROR,
            Kind::DATA,
            Kind::DATA,
        ]
    );
    assert_eq!(told.lengths, [8, 12, 8, 8, 4, 8, 2, 0]);
    assert_eq!(told.ids_in_order[5], 0x80);
}

#[test]
fn a_line_that_is_none_of_the_formats_is_told_and_no_frame() {
    for bad in [
        "(1436509052.000002) can0 123#1",
        "(1436509052.000002) can0 123#112233445566778899",
        "(1436509052.000002) can0 12#11",
        "(1436509052.000002) can0 FFF#11",
        "(1436509052.000002) can0 F2345678#11",
        "(1436509052.000002) can0 123#GG",
        "(1436509052.000002) can0",
        "(1436509052.000002)",
        "(1436509052.0000021234) can0 123#11",
        "(1436509052,000002) can0 123#11",
        "(1436509052.000002) can0 123#11 X",
        "(1436509052.000002) can0 123#R9",
        "(1436509052.000002) can0 123##",
        "(1436509052.000002) can0 123#1122334455667788_7",
        " (1436509052.000002)  can0  123   [9]  11 22 33 44 55 66 77 88 99",
        " (1436509052.000002)  can0  123   [2]  11",
        "\tbus-error",
    ] {
        let told =
            read(&format!("(1436509052.000001) can0 123#11\n{bad}\n(1436509052.000003) can0 123#33\n"));
        assert_eq!((told.times.len(), &told.damage[..]), (2, &[(32, Damage::BadLine)][..]), "{bad}");
    }
}

#[test]
fn a_last_line_without_its_end_is_a_frame_only_if_nothing_can_be_missing() {
    let begin = "(1436509052.000001) can0 123#11\n";
    for (last, frames) in [
        ("(1436509052.000002) can0 123#1122334455667788", 2),
        ("(1436509052.000002) can0 123#11223344556677", 1),
        ("(1436509052.000002) can0 123#R", 1),
        (" (1436509052.000002)  can0  123   [2]  11 22", 2),
        (" (1436509052.000002)  can0  123   [2]  11 2", 1),
    ] {
        let told = read(&format!("{begin}{last}"));
        assert_eq!((told.times.len(), &told.damage[..]), (frames, &[(32, Damage::CutLine)][..]), "{last}");
    }
}

/// Twenty lines with these stamps, in microseconds.
fn stamped(stamps: impl Iterator<Item = u64>) -> String {
    stamps
        .map(|us| format!(" ({:03}.{:06})  can0  123   [1]  00\n", us / 1_000_000, us % 1_000_000))
        .collect()
}

#[test]
fn stamps_that_fall_again_and_again_are_steps_and_are_summed() {
    let steps = [0, 900, 100, 40_000, 20, 1_000_000, 300, 10];
    let told = read(&stamped(steps.into_iter().cycle().take(100)));
    let mut sum = 0;
    let sums: Vec<i64> = steps
        .into_iter()
        .cycle()
        .take(100)
        .map(|step| {
            sum += step as i64 * 1000;
            sum
        })
        .collect();
    assert_eq!(told.times, sums);
    // From the first frame on, with a few frames of another bus too late.
    let points = (0..100).map(|n| if n % 10 == 5 { n * 1000 - 4500 } else { n * 1000 });
    let told = read(&stamped(points.clone()));
    assert_eq!(told.times, points.map(|us| us as i64 * 1000).collect::<Vec<_>>());
}

#[test]
fn dates_are_read_and_lines_without_a_time_are_told() {
    let told = read(" (2009-02-13 23:31:30.000001)  can0  123   [1]  00\n");
    assert_eq!((told.times, told.damage), (vec![1_234_567_890_000_001_000], vec![]));
    let told = read("  can0  123   [1]  00\n  can0  123   [1]  01\n");
    assert_eq!(
        (told.times.len(), told.damage),
        (2, vec![(0, Damage::BadStructure("lines that tell no time"))])
    );
}

#[test]
fn columns_of_csv_are_found_by_their_names() {
    for (text, time, id, kind, data) in [
        (
            "timestamp,arbitration_id,extended,remote,error,dlc,data\n1.5e-05,0x123,0,0,0,2,ESI=\n",
            15_000,
            0x123,
            Kind::DATA,
            "1122",
        ),
        ("Time [ms];CAN ID;Data\n1.5;18FEF100;11 22\n", 1_500_000, 0x18FE_F100, Kind::EXTENDED, "1122"),
        ("time_us\tid\tdata\n7\t123\t1122\n", 7000, 0x123, Kind::DATA, "1122"),
        (
            "\"timestamp\",\"id\",\"B0\",\"B1\"\n\"1.0\",\"123\",\"11\",\"22\"\n",
            1_000_000_000,
            0x123,
            Kind::DATA,
            "1122",
        ),
        (
            "Time Stamp,ID,Extended,Bus,LEN,D1,D2,D3\n15,00000123,false,0,2,11,22,\n",
            15_000,
            0x123,
            Kind::DATA,
            "1122",
        ),
        (
            "timestamp,id,ide,dlc,data\n1700000000123,123,1,2,1122\n",
            1_700_000_000_123_000_000,
            0x123,
            Kind::EXTENDED,
            "1122",
        ),
        (
            "timestamp,id,dlc,brs,data\n0.000000001,123,9,1,112233445566778899AABBCC\n",
            1,
            0x123,
            Kind::FD.with(Kind::BRS),
            "112233445566778899aabbcc",
        ),
    ] {
        let found = inspect(text.as_bytes(), 7);
        assert_eq!(found.format, Format::Csv, "{text}");
        let told = found.sink;
        assert_eq!(told.damage, [], "{text}");
        assert_eq!(
            (&told.times[..], &told.ids_in_order[..], &told.kinds[..]),
            (&[time][..], &[id][..], &[kind][..]),
            "{text}"
        );
        assert_eq!(hex::encode(&told.frames[0]), data, "{text}");
    }
    for other in ["a,b,c\n1,2,3\n", "timestamp,message\n1.0,hello\n", "id,data\n1,2\n"] {
        assert_eq!(inspect(other.as_bytes(), 7).format, Format::Unknown, "{other}");
    }
}

#[test]
fn more_buses_than_a_byte_counts_are_told_once() {
    let text: String = (0..300).map(|n| format!("(1436509052.000001) can{n} 123#11\n")).collect();
    let told = read(&text);
    assert_eq!((told.times.len(), told.names.len()), (300, 256));
    assert_eq!(told.damages(), [Damage::BadStructure("more than 256 buses")]);
}
