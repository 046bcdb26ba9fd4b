//! Hours of disturbances: no wrong row, and every interruption ends.

use std::time::Duration;

use proptest::prelude::*;
use tickover_framing::Instant;
use tickover_session::{NoteKind, Rate, Session};

use crate::bench::{Reply, World, late, message, reply};
use crate::build::{Build, TESTER, UNIT};

/// What the unit does instead of a good answer.
#[derive(Clone, Copy, Debug)]
enum Disturbance {
    /// A bit of the answer turned over: which byte, which bit.
    Bit(u8, u8),
    /// The answer stops after so many bytes.
    Cut(u8),
    Silence,
    /// Silent until it is initialised again.
    Reset,
    Pending(u16),
    Busy,
    /// The answer comes so many milliseconds late.
    Late(u8),
    /// Another unit speaks.
    Foreign,
}

fn disturbances() -> impl Strategy<Value = Disturbance> {
    prop_oneof![
        (0_u8..10, 0_u8..8).prop_map(|(byte, bit)| Disturbance::Bit(byte, bit)),
        (0_u8..9).prop_map(Disturbance::Cut),
        Just(Disturbance::Silence),
        Just(Disturbance::Reset),
        (26_u16..4_900).prop_map(Disturbance::Pending),
        Just(Disturbance::Busy),
        (51_u8..200).prop_map(Disturbance::Late),
        Just(Disturbance::Foreign),
    ]
}

fn disturbed(what: Disturbance, good: &[u8], communicating: &mut bool) -> Vec<Reply> {
    let after = Duration::from_millis(25);
    match what {
        Disturbance::Bit(byte, bit) => {
            let mut bytes = message(TESTER, UNIT, good);
            let place = usize::from(byte) % bytes.len();
            bytes[place] ^= 1 << bit;
            vec![Reply { after, bytes }]
        }
        Disturbance::Cut(count) => {
            let bytes = message(TESTER, UNIT, good).into_iter().take(usize::from(count)).collect();
            vec![Reply { after, bytes }]
        }
        Disturbance::Silence => Vec::new(),
        Disturbance::Reset => {
            *communicating = false;
            Vec::new()
        }
        Disturbance::Pending(ms) => vec![late(25, &[0x7F, 0x21, 0x78]), late(u64::from(ms), good)],
        Disturbance::Busy => reply(&[0x7F, 0x21, 0x21]),
        Disturbance::Late(ms) => vec![late(u64::from(ms), good)],
        Disturbance::Foreign => vec![Reply { after, bytes: message(TESTER, 0x2D, good) }],
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// The oracle is the unit itself: it never answers anything but these bytes. The sum sees every single bit.
    #[test]
    fn no_disturbance_makes_a_wrong_row_or_ends_the_session(
        plan in prop::collection::vec((1_u32..60, disturbances()), 10..60),
    ) {
        const GOOD: [u8; 6] = [0x61, 0x01, 17, 34, 51, 90];
        let build = Build::new().record("engine", 0x01, 4).byte("speed", 0).keep_alive(Duration::from_secs(2));
        let session = Session::new(build.definition.clone()).watch(build.id("speed"), Rate::per_second(4));
        let mut plan = plan.into_iter();
        let mut next = plan.next();
        let mut communicating = false;
        let mut world = World::new(session, move |_: Instant, data| match data {
            [0x81] => {
                communicating = true;
                Vec::new()
            }
            [0x21, 0x01] if communicating => match &mut next {
                Some((0, what)) => {
                    let replies = disturbed(*what, &GOOD, &mut communicating);
                    next = plan.next();
                    // An empty answer would be answered by the world itself; no byte at all is silence.
                    if replies.is_empty() { vec![Reply { after: Duration::ZERO, bytes: Vec::new() }] } else { replies }
                }
                Some((left, _)) => {
                    *left -= 1;
                    reply(&GOOD)
                }
                None => reply(&GOOD),
            },
            _ => vec![Reply { after: Duration::ZERO, bytes: Vec::new() }],
        });
        world.run_for(Duration::from_secs(1_800));
        for row in world.rows() {
            prop_assert_eq!(&row.response[..], &GOOD[..]);
        }
        let last = world.rows().last().map(|row| row.at);
        prop_assert!(last.is_some_and(|last| world.now.since(last) < Duration::from_secs(1)), "{:?}", last);
        let report = world.session.report(world.now);
        // Pending up to 4.9 s three times over, or two lost turns and a new initialisation.
        prop_assert!(report.worst_gap < Duration::from_secs(16), "{:?}", report.worst_gap);
        prop_assert_eq!(world.count(NoteKind::Connected) as u64, report.reconnections + 1);
    }
}
