//! Every type of the compiled form, field by field. Patterns are complete, so that a new field does not go missing.

use tickover_framing::can::Id;
use tickover_framing::contract::{Parity, Speed};
use tickover_framing::isotp::{
    Address, Fd as IsotpFd, Flow as IsotpFlow, Frames as IsotpFrames, Line as IsotpLine, Path as IsotpPath,
    Timing as IsotpTiming,
};
use tickover_framing::kline::{
    BlockField, BlockFraming, Checksum, FiveBaud, Framing, Init, KeyBytes, LengthCounts, Line as WireLine, Timing,
};
use tickover_services::Effect;

use super::write::{Source, Write};
use crate::Definition;
use crate::compiled::line::Services;
use crate::compiled::{
    Affine, Array, Between, Binary, Can, CanUnit, Channel, ChecksumMethod, Code, Coding, Conversion, Counter, Curve,
    Direction, EmissionDtc, Every, Expr, Fault, FaultRead, Faults, Field, FrameChecksum, FrameRules, Function, Group,
    KLine, KeepAlive, Layout, Line, Node, NodeId, Origin, Outside, Part, Pattern, PatternByte, Place, Procedure, Read,
    Record, Refusal, Sent, SentOutside, SessionState, Several, SeveralOf, Start, State, StatusCoding, Step, Template,
    TemplatePart, Total, Unary, Variant,
};
use crate::unit::{Quantity, Reference, UnitCode};
use crate::value::{ChannelId, RecordId};

/// Structs with named fields.
macro_rules! records {
    ($($type:ident as $path:literal { $($field:ident),* $(,)? })*) => {$(
        impl Write for $type {
            fn write(&self, out: &mut Source) {
                let Self { $($field),* } = self;
                out.record($path, &[$((stringify!($field), $field)),*]);
            }
        }
    )*};
}

/// Structs that wrap one value.
macro_rules! wrappers {
    ($($type:ident),*) => {$(
        impl Write for $type {
            fn write(&self, out: &mut Source) {
                out.tuple(stringify!($type), &[&self.0]);
            }

            fn is_short(&self) -> bool {
                self.0.is_short()
            }
        }
    )*};
}

/// Enums without content.
macro_rules! words {
    ($($type:ident as $path:literal { $($variant:ident),* $(,)? })*) => {$(
        impl Write for $type {
            fn write(&self, out: &mut Source) {
                out.put(match self {
                    $(Self::$variant => concat!($path, "::", stringify!($variant)),)*
                });
            }
        }
    )*};
}

/// Enums with content: each variant with its values or fields.
macro_rules! choices {
    ($($type:ident as $path:literal { $($variant:ident $(($($value:ident),*))? $({ $($field:ident),* })?),* $(,)? })*) => {$(
        impl Write for $type {
            fn write(&self, out: &mut Source) {
                match self {
                    $(Self::$variant $(($($value),*))? $({ $($field),* })? => {
                        let head = concat!($path, "::", stringify!($variant));
                        choices!(@write out, head $(, ($($value),*))? $(, { $($field),* })?);
                    })*
                }
            }
        }
    )*};
    (@write $out:ident, $head:ident) => { $out.put($head) };
    (@write $out:ident, $head:ident, ($($value:ident),*)) => { $out.tuple($head, &[$($value),*]) };
    (@write $out:ident, $head:ident, { $($field:ident),* }) => {
        $out.record($head, &[$((stringify!($field), $field)),*])
    };
}

records! {
    Definition as "Definition" {
        id, title, revision, source, line, sessions, channels, arrays, records, base, variants
    }
    Array as "Array" { name, first, elements }
    Layout as "Layout" { records, channels, curves, groups, faults, procedures, several }
    Variant as "Variant" { name, when, layout }
    Channel as "Channel" {
        id, name, label, origin, when, invalid, states, conversion, unit, quantity, reference, range, decimals,
        max_age, inputs, total, sent
    }
    Part as "Part" { name, field }
    Field as "Field" { bytes, coding, low_bit, width }
    Code as "Code" { first, last, meaning }
    State as "State" { first, last, name }
    Affine as "Affine" { scale, offset, divisor }
    Curve as "Curve" { name, points, between, outside }
    Expr as "Expr" { nodes }
    KLine as "KLine" { line, services, keep_alive, effects, refusal }
    Can as "Can" { bit_rate, data_rate, start, unit, services, keep_alive, effects }
    CanUnit as "CanUnit" { path, functional, line, p2_max, p2_star_max, s3 }
    IsotpPath as "isotp::Path" { request, response }
    IsotpLine as "isotp::Line" { speed, frames, flow, timing }
    IsotpFrames as "isotp::Frames" { padding, fd }
    IsotpFd as "isotp::Fd" { tx_dl, switch_rate }
    IsotpFlow as "isotp::Flow" { block_size, st_min, wait_max }
    IsotpTiming as "isotp::Timing" { n_as, n_ar, n_bs, n_br, n_cs, n_cr }
    FrameRules as "FrameRules" { direction, counter, checksum }
    Counter as "Counter" { at, low_bit, width }
    FrameChecksum as "FrameChecksum" { at, method, over, start }
    Several as "Several" { of, count, longest }
    Total as "Total" { last, largest_step }
    Sent as "Sent" { from, outside }
    KeepAlive as "KeepAlive" { send, expect, every }
    Refusal as "Refusal" { prefix, meanings }
    SessionState as "SessionState" { name, enter, line }
    Record as "Record" { id, read, request, answer, length, reserved, every, session, channels, frame }
    Place as "Place" { name, bytes, little_endian }
    Group as "Group" { name, title, channels }
    Faults as "Faults" { read, status, clear, freeze, known }
    Fault as "Fault" { code, text, when, with }
    Procedure as "Procedure" { name, title, effect, caution, needs, steps, finally, then_read }
    WireLine as "kline::Line" { baud, parity, stop_bits, init, unit, functional, tester, framing, timing }
    FiveBaud as "kline::FiveBaud" { address, key_bytes, unit_confirms }
    BlockFraming as "kline::BlockFraming" { fields, count, length_counts, checksum }
    Timing as "kline::Timing" {
        p1_max, p2_min, p2_max, p2_star_max, p3_min, p3_max, p4_min, p4_max, w0_min, w1_min, w1_max, w2_min, w2_max,
        w3_min, w3_max, w4_min, w4_max, w5_min, t_idle, t_inil, t_wup
    }
}

wrappers! { ChannelId, RecordId, UnitCode, NodeId, Pattern, Template }

impl Write for KeyBytes {
    fn write(&self, out: &mut Source) {
        out.tuple("kline::KeyBytes", &[&self.0, &self.1]);
    }
}

/// The crate of services may add effects: each is a word, shown as it is written.
impl Write for Effect {
    fn write(&self, out: &mut Source) {
        out.put(&std::format!("Effect::{self:?}"));
    }
}

words! {
    Coding as "Coding" { Unsigned, Signed, Float, Ascii, Bcd, Hex }
    Between as "Between" { Linear, Step, Nearest }
    Outside as "Outside" { Invalid, Clamp, Extend }
    Unary as "Unary" { Negate, Not }
    Binary as "Binary" {
        Add, Subtract, Multiply, Divide, Modulo, Power, Less, LessOrEqual, Greater, GreaterOrEqual, Equal, NotEqual,
        And, Or
    }
    Function as "Function" { Abs, Min, Max, Clamp, Floor, Ceil, Round, Sqrt, Exp, Ln, Log10, Bit }
    Services as "Services" { Iso14230, Iso14229 }
    StatusCoding as "StatusCoding" { Iso14230, Ssf14230, Iso14229 }
    Start as "Start" { Iso15765_4 }
    SentOutside as "SentOutside" { Clamp, Invalid }
    SeveralOf as "SeveralOf" { LocalIdentifier, CommonIdentifier, DataIdentifier, Pid }
    ChecksumMethod as "ChecksumMethod" { Xor8, Sum8, NegatedSum8 }
    EmissionDtc as "EmissionDtc" { Stored, Pending, Permanent }
    Quantity as "Quantity" { Torque, Energy, Temperature, TemperatureDifference }
    Reference as "Reference" { Absolute, Gauge }
    Parity as "Parity" { None, Even, Odd }
    LengthCounts as "kline::LengthCounts" { WholeFrame, AfterLength, Data }
    Checksum as "kline::Checksum" { Xor8, Sum8, NegatedSum8 }
}

choices! {
    Origin as "Origin" { Field { record, field }, Parts { record, parts }, Derived }
    Conversion as "Conversion" { Identity, Affine(affine), Expr(expr), None }
    Node as "Node" {
        Number(number), Truth(truth), Text(text), Raw, Part(part), Channel(id), Unary(unary, a), Binary(binary, a, b),
        If(a, b, c), Invalid(reason), Call(function, arguments), Curve(curve, a), Supported(id), Rate(id)
    }
    Line as "Line" { KLine(line), Can(line) }
    Read as "Read" {
        LocalIdentifier(id), CommonIdentifier(id), Identification(id), Memory { address, count }, DataIdentifier(id),
        Pid(id), InfoType(id), Frame(id), Request
    }
    Every as "Every" { Wanted, Once, Period(period), OnEvent }
    Direction as "Direction" { Heard, Sent { fill } }
    Id as "can::Id" { Standard(id), Extended(id) }
    Address as "isotp::Address" {
        Normal(id), NormalFixed { target, source, functional }, Extended { id, target }, Mixed11 { id, extension },
        Mixed29 { target, source, extension, functional }
    }
    Speed as "Speed" {
        Serial { baud, parity, stop_bits }, Can { bit_rate, data_rate, listen_only }
    }
    PatternByte as "PatternByte" { Is(byte), Any }
    TemplatePart as "TemplatePart" { Byte(byte), Value(place) }
    FaultRead as "FaultRead" { DtcByStatus { status, group }, DtcByStatusMask { mask }, EmissionDtc(which) }
    Step as "Step" { Send { send, expect, within }, Wait(time) }
    Init as "kline::Init" { None, Fast, FiveBaud(init) }
    Framing as "kline::Framing" { Iso14230, Iso9141, Declared(block) }
    BlockField as "kline::BlockField" { Unit, Tester, Length, Data, Checksum, Constant(byte) }
}
