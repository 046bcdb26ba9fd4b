//! Codes of diagnostics: stable names, one a rule.

use super::Severity::{self, Mistake, Note, Warning};

/// A rule's name, stable over versions: `unknown-key`.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Code {
    name: &'static str,
    severity: Severity,
    meaning: &'static str,
}

impl Code {
    /// The name: `unknown-key`.
    pub const fn name(self) -> &'static str {
        self.name
    }

    /// How bad it is when this rule is broken.
    pub const fn severity(self) -> Severity {
        self.severity
    }

    /// What the rule asks for, in one sentence.
    pub const fn meaning(self) -> &'static str {
        self.meaning
    }
}

impl core::fmt::Display for Code {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(self.name)
    }
}

impl core::fmt::Debug for Code {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(self.name)
    }
}

impl serde::Serialize for Code {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name)
    }
}

macro_rules! codes {
    ($($id:ident $name:literal $severity:ident $meaning:literal;)*) => {
        $(#[doc = $meaning] pub const $id: Code = Code { name: $name, severity: $severity, meaning: $meaning };)*
        /// Every rule, in the order of this table.
        pub const ALL: &[Code] = &[$($id),*];
    };
}

codes! {
    // The text.
    TOO_LARGE "too-large" Mistake "A file has at most 1 MiB.";
    SYNTAX "syntax" Mistake "The text is TOML.";
    DUPLICATE_KEY "duplicate-key" Mistake "A key stands once in its table.";
    UNREADABLE "unreadable" Mistake "The file can be read and is UTF-8.";
    // The shape.
    UNKNOWN_KEY "unknown-key" Mistake "Every key is one of the language.";
    MISSING_KEY "missing-key" Mistake "Keys without a safe default are there.";
    WRONG_TYPE "wrong-type" Mistake "A value is of its key's type.";
    WRONG_WORD "wrong-word" Mistake "A word is one of those that its key takes.";
    NOT_IN_VERSION "not-in-this-version" Mistake "What this version does not do is not read half.";
    EDITION "edition" Mistake "The file says which edition of the language it uses.";
    ID_NOT_STEM "id-not-stem" Mistake "The id is the file's name without its ending.";
    NAME "name" Mistake "Names are lower-case words, not words of the formula language.";
    NAME_TAKEN "name-taken" Mistake "Channels, curves and functions share one list of names.";
    NUMBER "number" Mistake "A number is in the range that its key takes.";
    QUANTITY "quantity" Mistake "A time is a number with its unit.";
    RANGE "range" Mistake "A range is `a..b` with a not above b.";
    BYTES "bytes" Mistake "Bytes are two hex digits each.";
    TEMPLATE "template" Mistake "A place in a request is one that can be filled.";
    TOO_MANY "too-many" Mistake "Counts stay within what a session can hold.";
    // Joined keys.
    KIND_OVERLAP "kind-overlap" Mistake "No key stands both in a channel and in its kind.";
    UNKNOWN_NAME "unknown-name" Mistake "A name that is used is defined.";
    EXCLUSIVE_KEYS "exclusive-keys" Mistake "Keys that exclude each other do not stand together.";
    UNUSED_KIND "unused-kind" Warning "Every kind is used by a channel.";
    // The line.
    LINE_KEYS "line-keys" Mistake "Keys of [line] fit its type, initialisation and framing.";
    LINE_TIMING "line-timing" Mistake "A least time is not above the most time of the same gap.";
    CAN_ID "can-id" Mistake "An identifier is three hex digits for 11 bits, eight for 29 bits.";
    CAN_PATH "can-path" Mistake "Requests and responses have identifiers of their own that no standard reserves.";
    PADDING_NEEDED "padding-needed" Mistake "Services of SAE J1979 go out in frames of eight bytes.";
    FRAMING "framing" Mistake "A declared frame has data once and the checksum last.";
    SERVICES_NEEDED "services-needed" Mistake "It is said whose service numbers hold where the standards differ.";
    // Frames of a bus.
    FRAME_RULES "frame-rules" Mistake "Period, length, counter and checksum fit a frame of the line.";
    FRAME_COLLISION "frame-collision" Mistake "An identifier has one meaning on the bus.";
    SENT_CHANNEL "sent-channel" Mistake "A channel that is sent says from what, and has one way back to bytes.";
    TOTAL "total" Mistake "A total counts whole numbers that its field can hold.";
    // What is laid over another.
    EXTENDS "extends" Mistake "What a definition extends is a definition in the same folder, and not itself.";
    UNIT_CHANGED "unit-changed" Mistake "The unit of a channel that a formula reads stays as it is.";
    // Effects.
    NOT_A_READ "not-a-read" Mistake "What is polled only reads.";
    EFFECT_UNKNOWN "effect-unknown" Mistake "A command that no standard knows has its effect declared.";
    EFFECT_TOO_STRONG "effect-too-strong" Mistake "Steps do no more than is declared.";
    EFFECT_STANDARD "effect-standard" Mistake "The effect of a standard's command is not declared again.";
    // Fields.
    FIELD_OUTSIDE "field-outside" Mistake "A field lies within its record's data.";
    RESPONSE_TOO_LONG "response-too-long" Mistake "Requests and responses fit a message of the line.";
    FIELD_OVERLAP "field-overlap" Mistake "Fields overlap only if their conditions exclude each other.";
    FIELD_SHAPE "field-shape" Mistake "Place, data, length and bits describe one field.";
    RESERVED_USED "reserved-used" Mistake "A reserved byte is no channel's.";
    CODE_RANGE "code-range" Mistake "The field can hold each key of `invalid` and `states`.";
    CODE_OVERLAP "code-overlap" Mistake "A raw value has one meaning.";
    ARRAY_INDEX "array-index" Mistake "An array's dimensions have names, elements and strides.";
    // Values.
    UNIT_NEEDED "unit-needed" Mistake "A number has a unit.";
    UNIT_UNKNOWN "unit-unknown" Mistake "A unit is one of the list.";
    REFERENCE_NEEDED "reference-needed" Mistake "A pressure says what it is counted from.";
    UNIT_WITHOUT_NUMBER "unit-without-number" Mistake "What is no number has no unit.";
    FORMULA "formula" Mistake "A formula can be read and its types fit.";
    FORMULA_CYCLE "formula-cycle" Mistake "No channel is computed from itself.";
    CURVE "curve" Mistake "A curve has at least two points with rising arguments.";
    // Variants.
    VARIANT_WHEN "variant-when" Mistake "A variant's condition reads channels of the base that come from a record.";
    VARIANT_REACH "variant-reach" Mistake "A variant changes records, channels and what is built on them.";
    LEFT_OUT "left-out" Warning "A channel goes with what it is built on; it is named.";
    // Vectors.
    VECTOR "vector" Mistake "A check holds.";
    VECTOR_DECIMALS "vector-decimals" Mistake "A check's number has the channel's decimals, or is exact.";
    VECTOR_NEVER_RUN "vector-never-run" Mistake "A check stands where what it checks is complete.";
    VECTOR_SHAPE "vector-shape" Mistake "A check gives bytes or inputs that fit, and one result.";
    // What an author may have forgotten.
    BYTES_UNCOVERED "bytes-uncovered" Warning "Every byte of a record is a channel's or reserved.";
    BITS_UNCOVERED "bits-uncovered" Note "Bits that no channel uses are named.";
    NO_RESPONSE_CHECK "no-response-check" Warning "A record has a whole response as a check.";
    NO_SOURCE "no-source" Warning "A channel, its kind or its record says where the facts come from.";
}
