//! What a unit on CAN does wrong on purpose.

use super::*;

#[test]
fn planned_mishaps_come_in_order() {
    let mut bench = Bench::new(&yarrow(), &Options::default());
    let slow = Duration::from_millis(40);
    let refused = Mishap::Refuse(ResponseCode::SECURITY_ACCESS_DENIED);
    let mishaps = [Mishap::Pending(2), Mishap::Busy, refused, Mishap::Slow(slow), Mishap::Silent(slow), Mishap::Reset];
    for (place, mishap) in mishaps.into_iter().enumerate() {
        bench.unit().plan(Instant::from_nanos(place as u64), mishap);
    }
    let request = [0x22, 0x21, 0x01];
    let answers = bench.asks(&request);
    assert_eq!(answers[..2], [[0x7F, 0x22, 0x78], [0x7F, 0x22, 0x78]]);
    assert_eq!((answers.len(), answers[2][0]), (3, 0x62));
    assert_eq!(bench.ask(&request), [0x7F, 0x22, 0x21]);
    assert_eq!(bench.ask(&request), [0x7F, 0x22, 0x33]);
    let asked = bench.bus.now();
    assert_eq!(bench.ask(&request)[0], 0x62);
    assert_eq!(bench.bus.now().since(asked), Duration::from_micros(270 + 1_000 + 40_000 + 270));
    assert!(bench.ask(&request).is_empty(), "silent");
    assert!(bench.ask(&request).is_empty(), "reset");
    let booted = bench.bus.now().after(crate::unit::BOOT);
    bench.bus.pass_until(booted);
    assert_eq!(bench.ask(&request)[0], 0x62);
    let counts = bench.unit().tally().mishaps;
    assert_eq!(
        (counts.pending, counts.busy, counts.refused, counts.slow, counts.silent, counts.reset),
        (1, 1, 1, 1, 1, 1)
    );
}

fn noises(bench: &mut Bench, request: &[u8]) -> (Vec<Noise>, bool) {
    let ask = Ask { to: Peer::Address(bench.path.request), answers: Answers::One, window: Duration::from_millis(60) };
    bench.tester.request(bench.bus.now(), request, ask).expect("the lane is free");
    let mut noises = Vec::new();
    let until = bench.bus.now().after(Duration::from_secs(30));
    let whole = bench.bus.drive(&mut *bench.tester, until, |_, heard| match heard {
        Heard::Message { .. } => Some(true),
        Heard::Silence { .. } => Some(false),
        Heard::Noise { what, .. } => {
            noises.push(what);
            None
        }
        _ => None,
    });
    (noises, whole.unwrap_or(false))
}

/// ISO 15765-2:2016 9.8.3: a wrong sequence number ends the message.
#[test]
fn frames_that_are_miscounted_or_swapped_are_noticed_and_the_next_answer_is_whole() {
    for mishap in [Mishap::Miscounted, Mishap::Swapped] {
        let mut bench = Bench::new(&yarrow(), &Options::default());
        bench.unit().plan(Instant::ORIGIN, mishap);
        let (heard, whole) = noises(&mut bench, &[0x22, 0x21, 0x03]);
        assert!(!whole && heard.iter().any(|noise| matches!(noise, Noise::Sequence { .. })), "{mishap:?}: {heard:?}");
        assert_eq!(bench.ask(&[0x22, 0x21, 0x03]).len(), 43);
        assert_eq!(bench.unit().tally().mishaps.misframed, 1);
    }
}

#[test]
fn a_request_of_several_frames_may_get_no_flow_control() {
    let mut bench = Bench::new(&yarrow(), &Options::default());
    bench.unit().plan(Instant::ORIGIN, Mishap::NoFlowControl);
    let long = [&[0x2C, 0x01, 0xF3, 0x01][..], &[0x21, 0x01, 1, 2, 0x21, 0x03, 1, 2]].concat();
    let (heard, whole) = noises(&mut bench, &long);
    assert!(!whole && heard.contains(&Noise::NoFlowControl), "{heard:?}");
    assert_eq!(bench.ask(&long), [0x6C, 0x01, 0xF3, 0x01]);
}

#[test]
fn a_hasty_unit_leaves_out_the_separation_that_was_asked_for() {
    let gaps = |mishap: Option<Mishap>| {
        let definition = yarrow();
        let mut bench = Bench::new(&definition, &Options::default());
        let flow = isotp::Flow { st_min: 10, ..isotp::Line::CLASSIC.flow };
        *bench.tester = Tester::new(isotp::Line { flow, ..isotp::Line::CLASSIC }, Reach::IDEAL);
        bench.tester.add_unit(bench.path).expect("room");
        bench.tester.connect(bench.bus.now());
        assert!(bench.next(|heard| matches!(heard, Heard::Ready { .. }).then_some(())).is_some());
        if let Some(mishap) = mishap {
            bench.unit().plan(Instant::ORIGIN, mishap);
        }
        bench.bus.keep_passed(100);
        assert_eq!(bench.ask(&[0x22, 0x21, 0x03]).len(), 43);
        let own: Vec<_> = bench.bus.passed().filter(|passed| passed.from == Who::Unit(0)).skip(1).collect();
        own.windows(2).map(|pair| pair[1].start.since(pair[0].end)).collect::<Vec<_>>()
    };
    assert!(gaps(None).iter().all(|gap| *gap >= Duration::from_millis(10)));
    assert!(gaps(Some(Mishap::Hasty)).iter().all(|gap| gap.is_zero()));
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(64))]

    /// Whatever frames come, a unit neither panics nor answers positively to what its definition does not name.
    #[test]
    fn a_unit_survives_any_frames_and_answers_only_what_it_has(
        frames in proptest::collection::vec(
            (0_usize..3, proptest::collection::vec(proptest::prelude::any::<u8>(), 0..9)),
            1..24,
        ),
        requests in proptest::collection::vec(proptest::collection::vec(proptest::prelude::any::<u8>(), 1..8), 0..8),
        emission in proptest::prelude::any::<bool>(),
    ) {
        let (definition, ids) = if emission { (obd(), [0x7E0, 0x7DF, 0x123]) } else { (yarrow(), [0x6A1, 0x6DF, 0x123]) };
        let named: &[u8] = if emission { &[0x41, 0x42, 0x43, 0x44, 0x47, 0x49, 0x4A] } else { &[0x50, 0x59, 0x62, 0x6C, 0x7E] };
        let mut bench = Bench::new(&definition, &with_faults());
        for (place, data) in frames {
            let frame = Frame::classic(Id::Standard(ids[place]), &data).expect("at most 8 bytes");
            bench.bus.act(&Act::Transmit { tag: Tag(0x900), wire: Wire::Frame(frame) });
            let later = bench.bus.now().after(Duration::from_millis(2));
            while !matches!(bench.bus.wait(Some(later), &mut []), Woke::Deadline { .. }) {}
        }
        let later = bench.bus.now().after(Duration::from_secs(3));
        bench.bus.pass_until(later);
        for request in requests {
            for answer in bench.asks(&request) {
                let refused = answer.len() == 3 && answer[..2] == [0x7F, request[0]];
                proptest::prop_assert!(refused || named.contains(&answer[0]), "{request:02X?}: {answer:02X?}");
                proptest::prop_assert!(refused || answer[0] == request[0] + 0x40);
            }
        }
        let plain: &[u8] = if emission { &[0x01, 0x0C] } else { &[0x22, 0x21, 0x01] };
        proptest::prop_assert!(bench.ask(plain).len() >= 4);
    }
}
