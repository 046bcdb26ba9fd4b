//! Commands and losses at any moment: nothing hangs, every request is answered once, polling comes back.

use std::collections::BTreeMap;
use std::time::Duration;

use proptest::prelude::*;
use tickover_framing::contract::Level;
use tickover_framing::transport::Reach;
use tickover_services::Effect;
use tickover_session::{Event, Permit, Rate, Session};

use crate::bench::{World, reply};
use crate::build::Build;

#[derive(Clone, Copy, Debug)]
enum Command {
    Connect,
    Close,
    Unplug,
    Read,
    Clear,
    Rate(u16),
    Unwatch,
    Babble(u8, u16),
}

fn commands() -> impl Strategy<Value = Command> {
    prop_oneof![
        Just(Command::Connect),
        Just(Command::Close),
        Just(Command::Unplug),
        Just(Command::Read),
        Just(Command::Clear),
        (1_u16..2_000).prop_map(Command::Rate),
        Just(Command::Unwatch),
        (any::<u8>(), 1_u16..9_000).prop_map(|(byte, ms)| Command::Babble(byte, ms)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn commands_at_any_moment_leave_nothing_hanging(
        plan in prop::collection::vec((0_u64..2_500, commands()), 1..30),
        enter: bool,
    ) {
        let build = Build::new()
            .record("engine", 0x01, 1)
            .byte("speed", 0)
            .keep_alive(Duration::from_secs(2))
            .session("fast", |line| line.line.baud = 38_400);
        let speed = build.id("speed");
        let mut session = Session::new(build.definition.clone()).watch(speed, Rate::per_second(10));
        if enter {
            session = session.enter("fast").unwrap();
        }
        let mut world = World::new(session, |_, data| match data {
            [0x10, 0x86] => reply(&[0x50, 0x86]),
            [0x14, ..] => reply(&[0x54, 0xFF, 0x00]),
            [0x1A, 0x94] => reply(&[0x5A, 0x94, 1]),
            [0x21, 0x01] => reply(&[0x61, 0x01, 9]),
            _ => Vec::new(),
        });
        let mut tickets = Vec::new();
        for (ms, command) in plan {
            world.run_ms(ms);
            let now = world.now;
            match command {
                Command::Connect => world.session.connect(now, Reach::IDEAL),
                Command::Close => world.session.close(now),
                Command::Unplug => world.unplug(),
                Command::Read => tickets.extend(world.session.request(now, &[0x1A, 0x94], None)),
                Command::Clear => {
                    let clear = [0x14, 0xFF, 0x00];
                    tickets.extend(world.session.request(now, &clear, Some(Permit::to(Effect::Clears))));
                }
                Command::Rate(ms) => {
                    let rate = Rate::Every(Duration::from_millis(ms.into()));
                    world.session.set_rate(now, speed, Some(rate));
                }
                Command::Unwatch => world.session.set_rate(now, speed, None),
                Command::Babble(byte, ms) => world.babble(byte, Duration::from_millis(ms.into())),
            }
        }
        world.run_ms(60_000);
        world.session.connect(world.now, Reach::IDEAL);
        world.session.set_rate(world.now, speed, Some(Rate::per_second(10)));
        let before = world.rows().count();
        world.run_ms(20_000);
        let rows = world.rows().count() - before;
        prop_assert!(rows > 100, "{} rows, {:#?}", rows, world.notes().collect::<Vec<_>>());
        world.session.close(world.now);
        world.run_ms(10_000);
        prop_assert!(matches!(world.events.last(), Some(Event::Closed)), "{:?}", world.events.last());
        prop_assert_eq!((world.session.is_connected(), world.level), (false, Level::High));
        let mut answered = BTreeMap::new();
        for event in &world.events {
            if let Event::Answer { ticket, .. } = event {
                *answered.entry(*ticket).or_insert(0) += 1;
            }
        }
        let expected: BTreeMap<u32, i32> = tickets.into_iter().map(|ticket| (ticket, 1)).collect();
        prop_assert_eq!(answered, expected);
    }
}
