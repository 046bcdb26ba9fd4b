//! A small petrol engine that never existed: plausible, related values for a bench.
//!
//! [`Engine::at`] is a function of time alone: the same instant always gives the same state, in whatever order it is
//! asked. After two seconds of cranking the engine runs a cycle of [`Engine::CYCLE`]: idle, a slow sweep of the
//! throttle, over-run with the fuel cut, idle again; meanwhile it warms up.
//!
//! Physics only goes as far as a demonstration needs: air follows throttle and speed, fuel follows air, the lambda
//! sensor swings while the mixture control is closed, knock comes under load. Common practice, no source.

mod quantity;

use core::time::Duration;

use tickover_framing::Instant;

pub use quantity::{Amount, Quantity};

/// An engine that starts to crank at an instant.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Engine {
    cranks_at: Instant,
}

/// What the engine is doing.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Phase {
    /// The starter turns it.
    Cranking,
    /// Nobody touches the throttle.
    Idle,
    /// The throttle opens slowly and closes again.
    Sweep,
    /// The throttle is closed at high speed: no fuel.
    Overrun,
}

/// The engine at one instant. Everything else follows from it: see [`State::amount`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct State {
    /// What it is doing.
    pub phase: Phase,
    /// Seconds since it began to crank.
    pub seconds: f64,
    /// Speed in revolutions per minute.
    pub speed: f64,
    /// Throttle opening, 0 to 1.
    pub throttle: f64,
    /// Filling of the cylinders, 0 to 1.
    pub load: f64,
    /// Coolant in degrees Celsius.
    pub coolant: f64,
}

impl Engine {
    /// How long the starter turns it.
    pub const CRANKING: Duration = Duration::from_secs(2);
    /// Idle, sweep, over-run, idle.
    pub const CYCLE: Duration = Duration::from_secs(60);

    /// An engine that starts to crank at `at`.
    pub const fn cranked_at(at: Instant) -> Self {
        Self { cranks_at: at }
    }

    /// Its state at an instant; before it cranks, as when it begins to.
    pub fn at(&self, at: Instant) -> State {
        let seconds = at.since(self.cranks_at).as_secs_f64();
        let running = seconds - Self::CRANKING.as_secs_f64();
        let warm = seconds / (seconds + 120.0);
        let coolant = 18.0 + 74.0 * warm;
        let idle = 1_150.0 - 320.0 * warm;
        if running < 0.0 {
            let speed = 190.0 + 25.0 * wave(seconds, 0.4);
            return State { phase: Phase::Cranking, seconds, speed, throttle: 0.02, load: 0.25, coolant };
        }
        let t = running % Self::CYCLE.as_secs_f64();
        let (phase, throttle, speed) = match t {
            _ if t < 18.0 => (Phase::Idle, 0.03, idle + 12.0 * wave(t, 1.7)),
            _ if t < 38.0 => {
                let open = bump((t - 18.0) / 20.0);
                (Phase::Sweep, 0.03 + 0.85 * open, between(idle, 6_100.0, bump_late((t - 18.0) / 20.0)))
            }
            _ if t < 44.0 => (Phase::Overrun, 0.0, between(bump_end(idle), idle + 250.0, (t - 38.0) / 6.0)),
            _ => (Phase::Idle, 0.03, between(idle + 250.0, idle, ((t - 44.0) / 3.0).min(1.0)) + 12.0 * wave(t, 1.7)),
        };
        let load = match phase {
            Phase::Overrun => 0.08,
            _ => (0.18 + 0.85 * throttle / (0.25 + throttle) - 0.00001 * speed).clamp(0.05, 1.0),
        };
        State { phase, seconds, speed, throttle, load, coolant }
    }
}

/// -1 to 1, a triangle of the given period: no two platforms differ in it.
fn wave(seconds: f64, period: f64) -> f64 {
    let phase = (seconds / period).fract();
    4.0 * (phase - 0.5).abs() - 1.0
}

fn between(from: f64, to: f64, share: f64) -> f64 {
    from + (to - from) * share
}

/// 0 to 1 to 0 over the unit interval, without corners at its ends.
fn bump(x: f64) -> f64 {
    16.0 * x * x * (1.0 - x) * (1.0 - x)
}

/// The speed follows the throttle and is still high when it closes.
fn bump_late(x: f64) -> f64 {
    x * x * (1.6 - 0.8 * x)
}

/// The speed at which the sweep ends.
fn bump_end(idle: f64) -> f64 {
    between(idle, 6_100.0, bump_late(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn every_tenth(seconds: u64) -> impl Iterator<Item = State> {
        let engine = Engine::cranked_at(Instant::from_nanos(5_000_000_000));
        (0..seconds * 10).map(move |tenth| engine.at(Instant::from_nanos(5_000_000_000 + tenth * 100_000_000)))
    }

    #[test]
    fn it_cranks_idles_sweeps_and_overruns() {
        let mut seen = Vec::new();
        for state in every_tenth(70) {
            if seen.last() != Some(&state.phase) {
                seen.push(state.phase);
            }
        }
        use Phase::{Cranking, Idle, Overrun, Sweep};
        assert_eq!(seen, [Cranking, Idle, Sweep, Overrun, Idle]);
    }

    /// common practice, no source: what a small petrol engine does.
    #[test]
    fn its_values_stay_in_an_engines_range() {
        for state in every_tenth(1_200) {
            assert!((100.0..6_500.0).contains(&state.speed), "{state:?}");
            assert!((0.0..=1.0).contains(&state.throttle) && (0.0..=1.0).contains(&state.load), "{state:?}");
            assert!((15.0..95.0).contains(&state.coolant), "{state:?}");
        }
    }

    #[test]
    fn running_speed_never_jumps() {
        let states: Vec<State> = every_tenth(300).filter(|state| state.phase != Phase::Cranking).collect();
        for pair in states.windows(2) {
            assert!((pair[1].speed - pair[0].speed).abs() < 120.0, "{pair:?}");
        }
    }

    #[test]
    fn it_warms_up() {
        let states: Vec<State> = every_tenth(1_200).collect();
        assert!(states.windows(2).all(|pair| pair[1].coolant >= pair[0].coolant));
        assert!(states[0].coolant < 20.0 && states[11_999].coolant > 80.0);
    }
}
