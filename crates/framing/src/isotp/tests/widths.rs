//! Addresses: width, first byte, fixed identifiers.

use super::*;

fn path(request: Address, response: Address) -> Path {
    Path { request, response }
}

fn asks(path: Path) -> TesterScript {
    let mut t = Script::bus_tester(Line::CLASSIC, &[path], None, Reach::IDEAL);
    t.asks("0 ms", &[0x3E, 0x00], ask(path));
    t
}

#[test]
fn the_same_number_in_another_width_is_somebody_else() {
    let normal = |id| Address::Normal(id);
    let short = path(normal(Id::Standard(0x5A1)), normal(Id::Standard(0x5A9)));
    let long = path(normal(Id::Extended(0x5A1)), normal(Id::Extended(0x5A9)));
    let mut t = asks(short);
    t.at("0 ms").sends_frame("5A1 02 3E 00 CC CC CC CC CC");
    t.at("0.27 ms").event(sent(0, 270));
    t.at("1 ms").hears_frame("000005A9 02 7E 00 CC CC CC CC CC");
    t.at("2 ms").hears_frame("5A9 02 7E 01 CC CC CC CC CC");
    t.at("2.27 ms").event(message(short, 2_000, 2_270, 2));
    assert_eq!(hex(t.machine().message()), "7E 01");

    let mut t = asks(long);
    t.at("0 ms").sends_frame("000005A1 02 3E 00 CC CC CC CC CC");
    t.at("0.32 ms").event(sent(0, 320));
    t.at("1 ms").hears_frame("5A9 02 7E 00 CC CC CC CC CC");
    t.at("2 ms").hears_frame("000005A9 02 7E 01 CC CC CC CC CC");
    t.at("2.32 ms").event(message(long, 2_000, 2_320, 2));
    assert_eq!(hex(t.machine().message()), "7E 01");
}

#[test]
fn two_units_of_the_same_number_in_two_widths_never_mix() {
    let normal = |id| Address::Normal(id);
    let long = path(normal(Id::Extended(0x5A1)), normal(Id::Extended(0x5A9)));
    let mut t: TesterScript = Script::bus_tester(Line::CLASSIC, &[PATH, long], Some(GROUP), Reach::IDEAL);
    t.asks("0 ms", &[0x09, 0x02], ASK_ALL);
    t.at("0 ms").sends_frame("5AF 02 09 02 CC CC CC CC CC");
    t.at("0.27 ms").event(sent(0, 270));
    t.at("1 ms").hears_frame("5A9 10 0A 49 02 01 30 31 32");
    t.at("1.27 ms").sends_frame("5A1 30 00 00 CC CC CC CC CC");
    t.at("2 ms").hears_frame("000005A9 10 0A 49 02 01 40 41 42");
    t.at("2.32 ms").sends_frame("000005A1 30 00 00 CC CC CC CC CC");
    t.at("3 ms").hears_frame("000005A9 21 43 44 45 46 CC CC CC");
    t.at("3.32 ms").event(message(long, 2_000, 3_320, 10));
    assert_eq!(hex(t.machine().message()), "49 02 01 40 41 42 43 44 45 46");
    t.at("4 ms").hears_frame("5A9 21 33 34 35 36 CC CC CC");
    t.at("4.27 ms").event(message(PATH, 1_000, 4_270, 10));
    assert_eq!(hex(t.machine().message()), "49 02 01 30 31 32 33 34 35 36");
}

/// ISO 15765-2:2016 9.3.4 to 9.3.6, table 9: the first byte is in every frame, so each carries one byte less.
#[test]
fn every_format_puts_its_bytes_where_the_standard_has_them() {
    let extended = path(
        Address::Extended { id: Id::Standard(0x6F1), target: 0x12 },
        Address::Extended { id: Id::Standard(0x612), target: 0xF1 },
    );
    let mixed11 =
        path(Address::Mixed11 { id: 0x5A1, extension: 0x99 }, Address::Mixed11 { id: 0x5A9, extension: 0x99 });
    let mixed29 = |target, source| Address::Mixed29 { target, source, extension: 0x99, functional: false };
    let mixed29 = path(mixed29(0x1C, 0xF1), mixed29(0xF1, 0x1C));
    let fixed = |target, source| Address::NormalFixed { target, source, functional: false };
    let fixed = path(fixed(0x1C, 0xF1), fixed(0xF1, 0x1C));
    for (path, request, reply, flow, last) in [
        (
            extended,
            "6F1 12 02 3E 00 CC CC CC CC",
            "612 F1 10 07 7E 00 02 03 04",
            "6F1 12 30 00 00 CC CC CC CC",
            "612 F1 21 05 06 CC CC CC CC",
        ),
        (
            mixed11,
            "5A1 99 02 3E 00 CC CC CC CC",
            "5A9 99 10 07 7E 00 02 03 04",
            "5A1 99 30 00 00 CC CC CC CC",
            "5A9 99 21 05 06 CC CC CC CC",
        ),
        (
            mixed29,
            "18CE1CF1 99 02 3E 00 CC CC CC CC",
            "18CEF11C 99 10 07 7E 00 02 03 04",
            "18CE1CF1 99 30 00 00 CC CC CC CC",
            "18CEF11C 99 21 05 06 CC CC CC CC",
        ),
        (
            fixed,
            "18DA1CF1 02 3E 00 CC CC CC CC CC",
            "18DAF11C 10 08 7E 00 02 03 04 05",
            "18DA1CF1 30 00 00 CC CC CC CC CC",
            "18DAF11C 21 06 07 CC CC CC CC CC",
        ),
    ] {
        let mut t = asks(path);
        t.at("0 ms").sends_frame(request);
        assert_eq!(t.at("1 ms").events().len(), 1);
        t.at("5 ms").hears_frame(reply);
        let frame = path.response.id();
        let first_end = if matches!(frame, Id::Standard(_)) { 5_270 } else { 5_320 };
        t.at(Duration::from_micros(first_end)).sends_frame(flow);
        // Another first byte, or another source, is somebody else.
        let other = match path.response.first_byte() {
            Some(_) => std::format!("{frame} 77 21 05 06 CC CC CC CC"),
            None => last.replace("18DAF11C", "18DAF11D"),
        };
        t.at("6 ms").hears_frame(&other.replace("21 05", "22 05"));
        t.at("7 ms").hears_frame(last);
        let told = t.at("8 ms").events();
        assert!(matches!(told[..], [(_, Heard::Message { .. })]), "{path:?}: {told:?}");
    }
}
