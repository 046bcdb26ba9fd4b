//! The fault campaign: many simulated hours on a line and a unit that keep failing.
//!
//! The ordinary test run takes two hours of virtual time. For a campaign:
//!
//! ```text
//! TICKOVER_CAMPAIGN_HOURS=100 cargo test --release -p tickover-tests campaign -- --nocapture
//! ```
//!
//! `TICKOVER_CAMPAIGN_SEED=7` makes it another campaign.

use core::time::Duration;

use tickover::bench::line::Chances;
use tickover::bench::unit::{Mishap, Trouble};
use tickover::bench::{Line, Options, Simulated, Truth};
use tickover::framing::Instant;
use tickover::framing::contract::Hex;
use tickover::framing::drive::Port;
use tickover::framing::transport::Reach;
use tickover::session::{Event, Row};

use crate::virtual_line::{definition, watch_all};

/// Faults of the line: of a million characters; a second talker every minute.
const CHANCES: Chances = Chances {
    flipped: 400,
    lost: 100,
    extra: 100,
    late: 100,
    late_by: Duration::from_millis(80),
    talker_every: Duration::from_secs(60),
};

/// Faults of the unit: of a million requests.
const TROUBLE: Trouble = Trouble {
    pending: 2_000,
    busy: 2_000,
    reset: 200,
    silent: 200,
    silent_for: Duration::from_secs(10),
    ..Trouble::NONE
};

/// How long a reset unit is deaf.
const BOOT: Duration = Duration::from_millis(500);

/// What a campaign found.
#[derive(Debug, Default)]
struct Found {
    rows: u64,
    /// Rows with other bytes than the unit sent, whose checksum fits what was heard.
    unseen: Vec<String>,
    /// Rows with other bytes than the unit sent, whose checksum does not fit: these must not be.
    wrong: Vec<String>,
    /// Rows that started when no answer did: these must not be.
    unsent: Vec<String>,
    last_row: Instant,
    longest_gap: Duration,
    longest_recovery: Duration,
    /// Gaps of more than a second.
    interruptions: u64,
    deaf: Vec<(Instant, Instant)>,
    /// What the session said since the last row, and before the longest recovery.
    said: Vec<String>,
    said_before_longest: Vec<String>,
}

impl Found {
    /// Judges one row against the answers that the unit completed, and against what was heard.
    fn judge(&mut self, row: &Row, truth: Option<&Truth>, heard: &[u8], checksum_fits: bool) {
        self.rows += 1;
        let gap = row.at.since(self.last_row);
        if gap > Duration::from_secs(1) {
            self.interruptions += 1;
            self.longest_gap = self.longest_gap.max(gap);
            let deaf: Duration =
                self.deaf.iter().map(|(from, to)| row.at.min(*to).since(self.last_row.max(*from))).sum();
            if gap.saturating_sub(deaf) > self.longest_recovery {
                self.longest_recovery = gap.saturating_sub(deaf);
                self.said_before_longest = self.said.clone();
            }
        }
        self.last_row = row.at;
        self.said.clear();
        self.deaf.retain(|(_, to)| *to > row.at);
        match truth {
            Some(truth) if truth.response == row.response => {}
            Some(truth) => {
                let (sent, heard) = (Hex(&truth.response), Hex(heard));
                let text = format!("{} {}: sent {sent}, heard {heard}", row.at, truth.name);
                if checksum_fits { self.unseen.push(text) } else { self.wrong.push(text) }
            }
            None => self.unsent.push(format!("{}: {}, heard {}", row.at, Hex(&row.response), Hex(heard))),
        }
    }
}

/// Lets a session and a unit of this definition live through `hours` of faults, then ten quiet minutes.
fn campaign(name: &str, hours: f64, seed: u64, checksum_fits: fn(&[u8]) -> bool) -> Found {
    let definition = definition(name);
    let tickover::defs::compiled::Line::KLine(kline) = definition.line.as_ref().expect("a line") else {
        panic!("a K-line")
    };
    let mut session = watch_all(&definition, &definition.variants[0].layout);
    let looks_every = Duration::from_secs(1);
    let options = Options { trouble: TROUBLE, seed, note_values: false, looks_every, ..Options::default() };
    let mut line = Line::new(Reach::IDEAL);
    line.attach(Simulated::new(&definition, &options, Instant::ORIGIN).expect("a unit"));
    line.set_chances(CHANCES, seed);
    line.keep_heard(512);
    session.connect(line.now(), line.reach());

    let mut found = Found::default();
    let mut truths: std::collections::VecDeque<Truth> = std::collections::VecDeque::new();
    let noisy_until = Instant::from_nanos((hours * 3.6e12) as u64);
    let end = noisy_until.after(Duration::from_secs(600));
    let mut quiet_rows = 0;
    loop {
        let until = if line.now() < noisy_until { noisy_until } else { end };
        let row = line.drive(&mut session, until, |_, event| match event {
            Event::Row(row) => Some(row),
            Event::Note(note) => {
                if found.said.len() < 20 {
                    found.said.push(format!("{} {note}", note.at));
                }
                None
            }
            _ => None,
        });
        let unit = line.unit_mut(0).expect("one unit");
        truths.extend(unit.take_truths());
        for (at, mishap) in unit.take_mishaps() {
            let deaf = match mishap {
                Mishap::Silent(period) => period,
                Mishap::Reset => BOOT,
                _ => continue,
            };
            found.deaf.push((at, at.after(deaf)));
        }
        line.take_log();
        let Some(row) = row else {
            if line.now() >= end {
                break;
            }
            // The end of the noise: the unit and the line are well from here on.
            line.set_chances(Chances::default(), seed);
            line.unit_mut(0).expect("one unit").set_trouble(Trouble::default());
            continue;
        };
        while truths.front().is_some_and(|truth| truth.at < row.at) {
            truths.pop_front();
        }
        let truth = truths.pop_front_if(|truth| truth.at == row.at);
        let bytes = kline.line.response_len(row.response.len());
        let heard: Vec<u8> = line.heard().filter(|(end, _)| *end > row.at).map(|(_, byte)| byte).take(bytes).collect();
        found.judge(&row, truth.as_ref(), &heard, checksum_fits(&heard));
        quiet_rows += u64::from(row.at > noisy_until);
    }
    let counts = line.counts();
    let tally = line.units().next().expect("one unit").tally();
    let report = session.report(line.now());
    println!("{name}: {hours} simulated hours, seed {seed}");
    println!("  line:  {counts:?}");
    println!("  unit:  {tally:?}");
    println!(
        "  session: {} rows of {} complete answers; {} garbled, {} silences, {} repeats, {} reconnections",
        found.rows, tally.answers, report.noise, report.silences, report.repeats, report.reconnections
    );
    println!(
        "  wrong values accepted: {} that no 8-bit sum can see, {} others, {} that were never sent",
        found.unseen.len(),
        found.wrong.len(),
        found.unsent.len()
    );
    found.unseen.iter().for_each(|text| println!("    {text}"));
    println!(
        "  interruptions of more than 1 s: {}, all recovered; longest {:.3} s, \
         longest recovery once the unit listened again {:.3} s",
        found.interruptions,
        found.longest_gap.as_secs_f64(),
        found.longest_recovery.as_secs_f64()
    );
    assert!(quiet_rows > 1_000, "{name}: {quiet_rows} rows in ten quiet minutes");
    found
}

/// A figure from the environment, or `usual`.
pub(crate) fn given<T: std::str::FromStr>(name: &str, usual: T) -> T {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

/// Runs a campaign of so many hours with this seed, unless the environment says otherwise.
fn run(name: &str, hours: f64, seed: u64, checksum_fits: fn(&[u8]) -> bool) -> Found {
    let hours = given("TICKOVER_CAMPAIGN_HOURS", hours);
    campaign(name, hours, given("TICKOVER_CAMPAIGN_SEED", seed), checksum_fits)
}

/// SSF 14230-2 issue 1 (1997-04-22) 4.3: the checksum is the sum of all bytes before it, modulo 256.
fn sum_fits(message: &[u8]) -> bool {
    message.split_last().is_some_and(|(sum, rest)| rest.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)) == *sum)
}

/// The two's complement of the sum: all bytes add up to zero.
fn negated_sum_fits(message: &[u8]) -> bool {
    message.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)) == 0
}

fn assert_only_unseen(found: &Found) {
    assert!(found.wrong.is_empty(), "accepted against their checksum: {:#?}", found.wrong);
    assert!(found.unsent.is_empty(), "accepted and never sent: {:#?}", found.unsent);
    let Found { longest_recovery, said_before_longest, .. } = found;
    assert!(*longest_recovery < Duration::from_secs(30), "{longest_recovery:?}: {said_before_longest:#?}");
}

#[test]
fn no_value_is_wrong_and_every_interruption_is_recovered_on_a_standard_line() {
    assert_only_unseen(&run("bramble-40", 1.5, 11, sum_fits));
}

#[test]
fn no_value_is_wrong_and_every_interruption_is_recovered_with_declared_framing() {
    assert_only_unseen(&run("thistle-9", 0.5, 12, negated_sum_fits));
}
