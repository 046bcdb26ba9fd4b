//! What an engine can be asked for, and by which words a definition's channel asks for it.

use tickover_defs::unit::{self, UnitCode};

use super::{Phase, State, wave};

/// A value of the engine.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Amount {
    /// A number in this UCUM unit.
    Number(f64, &'static str),
    /// Whether something is so.
    Truth(bool),
}

/// Something that the engine model knows.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
#[non_exhaustive]
pub enum Quantity {
    /// Crankshaft speed.
    EngineSpeed,
    /// Road speed.
    VehicleSpeed,
    /// Throttle angle, or opening where the unit is %.
    Throttle,
    /// Filling.
    Load,
    /// Air mass per hour.
    AirFlow,
    /// Air mass per stroke.
    AirPerStroke,
    /// Coolant temperature.
    Coolant,
    /// Intake air temperature.
    IntakeAir,
    /// Oil temperature.
    OilTemperature,
    /// Oil pressure above the air around.
    OilPressure,
    /// Exhaust temperature.
    Exhaust,
    /// Supply voltage.
    Battery,
    /// Injection time.
    Injection,
    /// Ignition angle before top dead centre.
    Ignition,
    /// Dwell of the ignition coil.
    Dwell,
    /// Lambda sensor voltage.
    LambdaVoltage,
    /// Air number.
    LambdaRatio,
    /// Short term mixture correction.
    ShortTrim,
    /// Learned mixture correction.
    LongTrim,
    /// Idle valve.
    IdleDuty,
    /// Canister purge valve.
    PurgeDuty,
    /// Pressure in the intake, absolute.
    Manifold,
    /// Pressure of the air around.
    Barometer,
    /// Knock retard, negative is later.
    KnockRetard,
    /// Knock sensor signal.
    KnockSignal,
    /// Speed that the idle control aims at.
    IdleTarget,
    /// Fuel volume per hour.
    FuelFlow,
    /// Torque at the crankshaft.
    Torque,
    /// Time since the start.
    RunTime,
    /// Fuel is cut on over-run.
    FuelCut,
    /// The throttle is closed.
    IdleSwitch,
    /// The throttle is wide open.
    FullLoad,
    /// The mixture control is closed.
    ClosedLoop,
    /// The engine turns by itself.
    Running,
}

use Quantity::{
    AirFlow, AirPerStroke, Barometer, Battery, ClosedLoop, Coolant, Dwell, EngineSpeed, Exhaust, FuelCut, FuelFlow,
    FullLoad, IdleDuty, IdleSwitch, IdleTarget, Ignition, Injection, IntakeAir, KnockRetard, KnockSignal, LambdaRatio,
    LambdaVoltage, Load, LongTrim, Manifold, OilPressure, OilTemperature, PurgeDuty, RunTime, Running, ShortTrim,
    Throttle, Torque, VehicleSpeed,
};

/// Words that must all begin a word of the channel's name or label; the first line that fits counts.
const WORDS: &[(&[&str], Quantity)] = &[
    (&["idle", "switch"], IdleSwitch),
    (&["throttle", "closed"], IdleSwitch),
    (&["full", "load"], FullLoad),
    (&["full", "throttle"], FullLoad),
    (&["closed", "loop"], ClosedLoop),
    (&["mixture", "control"], ClosedLoop),
    (&["fuel", "cut"], FuelCut),
    (&["overrun"], FuelCut),
    (&["engine", "running"], Running),
    (&["idle", "speed", "target"], IdleTarget),
    (&["idle", "target"], IdleTarget),
    (&["target", "speed"], IdleTarget),
    (&["target", "idle"], IdleTarget),
    (&["idle", "duty"], IdleDuty),
    (&["idle", "valve"], IdleDuty),
    (&["vehicle", "speed"], VehicleSpeed),
    (&["road", "speed"], VehicleSpeed),
    (&["engine", "speed"], EngineSpeed),
    (&["crank", "speed"], EngineSpeed),
    (&["rpm"], EngineSpeed),
    (&["knock", "retard"], KnockRetard),
    (&["retard"], KnockRetard),
    (&["knock"], KnockSignal),
    (&["air", "stroke"], AirPerStroke),
    (&["air", "flow"], AirFlow),
    (&["air", "mass"], AirFlow),
    (&["air", "intake"], IntakeAir),
    (&["air", "temperature"], IntakeAir),
    (&["air", "charge"], IntakeAir),
    (&["coolant"], Coolant),
    (&["engine", "temperature"], Coolant),
    (&["oil", "temperature"], OilTemperature),
    (&["oil", "pressure"], OilPressure),
    (&["exhaust"], Exhaust),
    (&["battery"], Battery),
    (&["supply", "volt"], Battery),
    (&["inject"], Injection),
    (&["ignition"], Ignition),
    (&["spark"], Ignition),
    (&["advance"], Ignition),
    (&["dwell"], Dwell),
    (&["lambda", "volt"], LambdaVoltage),
    (&["oxygen"], LambdaVoltage),
    (&["lambda"], LambdaRatio),
    (&["short", "trim"], ShortTrim),
    (&["mixture", "correction"], ShortTrim),
    (&["trim"], LongTrim),
    (&["adaptation"], LongTrim),
    (&["learn"], LongTrim),
    (&["purge"], PurgeDuty),
    (&["canister"], PurgeDuty),
    (&["manifold"], Manifold),
    (&["boost"], Manifold),
    (&["baro"], Barometer),
    (&["ambient", "pressure"], Barometer),
    (&["throttle"], Throttle),
    (&["pedal"], Throttle),
    (&["load"], Load),
    (&["filling"], Load),
    (&["consumption"], FuelFlow),
    (&["fuel", "flow"], FuelFlow),
    (&["torque"], Torque),
    (&["run", "time"], RunTime),
    (&["operating"], RunTime),
];

impl Quantity {
    /// The quantity that a channel with this name and label means.
    ///
    /// Every word of a line of the table must begin a word of the name or of the label.
    pub fn named(name: &str, label: &str) -> Option<Self> {
        let text = format!("{name} {label}").to_lowercase();
        let words: Vec<&str> = text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
        let means = |wanted: &&str| words.iter().any(|word| word.starts_with(*wanted));
        WORDS.iter().find(|(wanted, _)| wanted.iter().all(means)).map(|(_, quantity)| *quantity)
    }
}

impl State {
    /// A quantity as this unit counts it; `None` if it does not measure it.
    pub fn amount_in(&self, quantity: Quantity, nth: usize, unit: UnitCode) -> Option<f64> {
        let code = unit.code();
        Some(match (quantity, self.amount(quantity, nth)) {
            (Throttle, _) if code == "%" => self.throttle * 100.0,
            // A factor near one; what is learned in another unit has not been learned yet.
            (LongTrim, Amount::Number(percent, _)) if code == "1" => 1.0 + percent / 100.0,
            (LongTrim, Amount::Number(..)) if code != "%" => 0.0,
            (_, Amount::Number(number, from)) => unit::convert(number, unit::find(from).ok()?, unit)?,
            (_, Amount::Truth(_)) => return None,
        })
    }

    /// A quantity in the unit that this model counts it in. `nth` tells elements of an array apart, from 0.
    pub fn amount(&self, quantity: Quantity, nth: usize) -> Amount {
        let runs = self.phase != Phase::Cranking;
        let fuel = self.phase != Phase::Overrun;
        let warm = self.coolant > 40.0;
        let closed = runs && fuel && warm && self.throttle < 0.7;
        let air_per_stroke = 480.0 * self.load;
        let air_flow = air_per_stroke * self.speed * 2.0 * 60.0 / 1e6;
        let injection = if fuel { 0.9 + 13.0 * self.load + if runs { 0.0 } else { 6.0 } } else { 0.0 };
        let swing = wave(self.seconds, 1.3);
        let apart = nth as f64;
        let truth = |yes| Amount::Truth(yes);
        let (number, unit) = match quantity {
            EngineSpeed => (self.speed, "/min"),
            VehicleSpeed => (if runs { (self.speed - 1_200.0).max(0.0) * 0.03 } else { 0.0 }, "km/h"),
            Throttle => (self.throttle * 86.0, "deg"),
            Load => (self.load * 100.0, "%"),
            AirFlow => (air_flow, "kg/h"),
            AirPerStroke => (air_per_stroke, "mg/{stroke}"),
            Coolant => (self.coolant, "Cel"),
            IntakeAir => (24.0 + 6.0 * wave(self.seconds, 240.0), "Cel"),
            OilTemperature => (self.coolant + 4.0, "Cel"),
            OilPressure => ((120.0 + self.speed / 18.0).min(420.0), "kPa"),
            Exhaust => (if runs { 320.0 + 480.0 * self.load } else { 60.0 }, "Cel"),
            Battery => (if runs { 13.9 + 0.15 * wave(self.seconds, 7.0) } else { 10.4 + 0.4 * swing }, "V"),
            Injection => (injection, "ms"),
            Ignition => (if runs { 8.0 + self.speed / 260.0 - 12.0 * self.load } else { 5.0 }, "deg"),
            Dwell => (2.6 + 0.4 * swing, "ms"),
            LambdaVoltage if closed => (0.45 + 0.33 * swing, "V"),
            LambdaVoltage => (if fuel { 0.78 } else { 0.05 }, "V"),
            LambdaRatio => (if closed { 1.0 - 0.02 * swing } else { 0.9 }, "1"),
            ShortTrim => (if closed { -1.5 + 2.5 * swing } else { 0.0 }, "%"),
            LongTrim => (1.2 + 0.4 * apart, "%"),
            IdleDuty => (if self.throttle < 0.05 { 30.0 + 3.0 * swing } else { 18.0 }, "%"),
            PurgeDuty => (if closed { 12.0 + 8.0 * wave(self.seconds, 19.0) } else { 0.0 }, "%"),
            Manifold => (250.0 + 750.0 * self.load, "hPa"),
            Barometer => (1_002.0, "hPa"),
            KnockRetard if self.load > 0.6 => (-(1.5 + apart % 3.0) * (1.0 + swing) / 2.0, "deg"),
            KnockRetard => (0.0, "deg"),
            KnockSignal => (0.3 + self.speed / 6_000.0 + 0.05 * apart, "V"),
            IdleTarget => (1_150.0 - 320.0 * self.seconds / (self.seconds + 120.0), "/min"),
            FuelFlow => (air_flow / 14.7 / 0.745, "L/h"),
            Torque => (160.0 * self.load - 20.0, "N.m"),
            RunTime => (self.seconds, "s"),
            FuelCut => return truth(!fuel),
            IdleSwitch => return truth(self.throttle < 0.05),
            FullLoad => return truth(self.throttle > 0.8),
            ClosedLoop => return truth(closed),
            Running => return truth(runs),
        };
        Amount::Number(number, unit)
    }
}

#[cfg(test)]
mod tests {
    use super::super::Engine;
    use super::*;
    use tickover_framing::Instant;

    #[test]
    fn channels_are_known_by_their_words() {
        let named = |name| Quantity::named(name, "");
        assert_eq!(named("engine_speed"), Some(EngineSpeed));
        assert_eq!(named("knock_retard.3"), Some(KnockRetard));
        assert_eq!(named("idle_switch"), Some(IdleSwitch));
        assert_eq!(named("air_per_stroke"), Some(AirPerStroke));
        assert_eq!(named("lambda_voltage"), Some(LambdaVoltage));
        assert_eq!(Quantity::named("t1", "Coolant temperature"), Some(Coolant));
        assert_eq!(named("part_number"), None);
    }

    #[test]
    fn an_idling_engine_has_its_throttle_closed_and_stands() {
        let state = Engine::cranked_at(Instant::ORIGIN).at(Instant::from_nanos(9_000_000_000));
        let percent = unit::find("%").unwrap();
        assert_eq!(state.phase, Phase::Idle);
        assert_eq!(state.amount_in(Throttle, 0, percent), Some(3.0));
        assert_eq!(state.amount(VehicleSpeed, 0), Amount::Number(0.0, "km/h"));
    }

    #[test]
    fn what_is_learned_is_small_and_stays() {
        let state = Engine::cranked_at(Instant::ORIGIN).at(Instant::from_nanos(9_000_000_000));
        let learned = |code| state.amount_in(LongTrim, 0, unit::find(code).unwrap());
        assert_eq!((learned("%"), learned("1"), learned("ms")), (Some(1.2), Some(1.012), Some(0.0)));
    }

    /// common practice, no source: a warm engine cuts fuel on over-run and its sensor then reads lean.
    #[test]
    fn fuel_is_cut_on_overrun() {
        let state = Engine::cranked_at(Instant::ORIGIN).at(Instant::from_nanos(640_000_000_000));
        assert_eq!(state.phase, Phase::Overrun);
        assert_eq!(state.amount(Injection, 0), Amount::Number(0.0, "ms"));
        assert_eq!(state.amount(FuelCut, 0), Amount::Truth(true));
        assert_eq!(state.amount(LambdaVoltage, 0), Amount::Number(0.05, "V"));
    }
}
