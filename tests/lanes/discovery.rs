//! Which PIDs a unit supports decides what is asked for.

use tickover::defs::compiled::{Several, SeveralOf};
use tickover::session::{NoteKind, Rate, Session};

use super::*;

const OBD: (u16, u16) = (0x7E0, 0x7E8);

/// Channels of one byte under these PIDs, named `pid_0d`.
fn obd(pids: &[u8]) -> Definition {
    let rest: String = pids
        .iter()
        .map(|pid| {
            let name = format!("pid_{pid:02x}");
            format!(
                "[record.{name}_record]\nread = {{ pid = 0x{pid:02X} }}\nlength = 1\nsource = \"SAE J1979\"\n\
                 [[record.{name}_record.check]]\nbytes = \"41 {pid:02X} 32\"\nsource = \"SAE J1979\"\n\
                 [record.{name}_record.check.values]\n{name} = 50\n[channel.{name}]\nrecord = \"{name}_record\"\nat = 0\n\
                 data = \"u8\"\nunit = \"1\"\n"
            )
        })
        .collect();
    definition("car", OBD, &rest)
}

/// SAE J1979 service 01: masks for 00, 20, .. and one byte for each other PID it has.
fn car(has: &'static [u8]) -> impl FnMut(&[u8]) -> Vec<Reply> {
    use tickover::services::obd::SupportMask;
    let supported: SupportMask = has.iter().copied().collect();
    move |request| {
        let Some(pids) = request.strip_prefix(&[0x01]) else { return vec![] };
        let mut data = vec![0x41];
        // In another order than asked for: SAE J1979 leaves it to the unit (from memory).
        for pid in pids.iter().rev() {
            match supported.answer(*pid) {
                Some(mask) if *pid == 0 || supported.contains(*pid) => data.extend([&[*pid][..], &mask].concat()),
                None if supported.contains(*pid) => data.extend([*pid, *pid]),
                _ => {}
            }
        }
        if data.len() > 1 { vec![(ms(5), data)] } else { vec![] }
    }
}

fn watching(definition: Definition, rate: Rate) -> Session {
    let channels: Vec<_> = definition.channels.iter().map(|name| definition.channel(name).unwrap()).collect();
    channels.into_iter().fold(Session::new(definition), |session, channel| session.watch(channel, rate))
}

#[test]
fn a_pid_that_the_car_does_not_have_is_never_asked_for() {
    let session = watching(obd(&[0x0C, 0x0D, 0x11, 0x2F, 0x5C]), Rate::per_second(10));
    let supports = |world: &World, name: &str| world.session.supports(world.session.channel(name).unwrap());
    let mut world = World::silent(session, [Unit::new(OBD, car(&[0x0C, 0x0D, 0x2F]))]);
    assert_eq!(supports(&world, "pid_0c"), None, "nobody knows before a connection");
    world.session.connect(world.bus.now(), Reach::IDEAL);
    world.run(ms(1_000));
    let asked = |world: &mut World, pid| world.unit(0).count(&[0x01, pid]);
    assert_eq!([0x00, 0x20, 0x40].map(|pid| asked(&mut world, pid)), [1, 1, 0], "40 is not announced");
    assert_eq!([0x11, 0x5C].map(|pid| asked(&mut world, pid)), [0, 0]);
    assert!([0x0C, 0x0D, 0x2F].iter().all(|pid| asked(&mut world, *pid) > 7));
    assert_eq!(
        world.said(NoteKind::NotSupported),
        ["control unit: the unit does not support channels 'pid_11' and 'pid_5c': not asked for"]
    );
    let known = ["pid_0c", "pid_2f", "pid_11", "pid_5c"].map(|name| supports(&world, name));
    assert_eq!(known, [Some(true), Some(true), Some(false), Some(false)]);
    // Wanted later, it is said again.
    let absent = world.session.channel("pid_11").unwrap();
    world.session.set_rate(world.bus.now(), absent, Some(Rate::per_second(1)));
    world.run(ms(100));
    assert_eq!(
        world.said(NoteKind::NotSupported)[1],
        "control unit: the unit does not support channel 'pid_11': not asked for"
    );
}

/// SAE J1979 on CAN (from memory): up to six PIDs in one request, answered in one message.
#[test]
fn six_pids_share_a_request_to_all_and_come_back_in_any_order() {
    let mut definition = obd(&[0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x11]);
    definition.base.several = vec![Several { of: SeveralOf::Pid, count: 6, longest: 64 }].into();
    let session = watching(definition, Rate::Fastest);
    let mut world = World::new(session, [Unit::new(OBD, car(&[0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x11]))]);
    world.run(ms(1_000));
    let six = world.unit(0).count(&[0x01, 0x04, 0x05, 0x0B, 0x0C, 0x0D, 0x0F]);
    assert!(six > 50, "{six}");
    for row in &world.rows {
        let reading = &row.readings[0];
        let name = world.session.definition().channel_name(reading.channel);
        assert_eq!(format!("pid_{:02x}", reading.number().unwrap() as u8), name);
    }
    let report = world.session.report(world.bus.now());
    assert_eq!((report.noise, report.silences), (0, 0), "{report:?}");
}

#[test]
fn a_definition_without_pids_asks_for_no_support() {
    let session = watching(definition("engine-unit", ENGINE, &byte("oil", 0x4001)), Rate::per_second(10));
    let unit = Unit::new(ENGINE, |request| vec![(ms(2), vec![0x62, request[1], request[2], 1])]);
    let mut world = World::new(session, [unit]);
    world.run(ms(200));
    assert!(world.unit(0).asked.iter().all(|(_, _, request)| request == &[0x22, 0x40, 0x01]));
}
