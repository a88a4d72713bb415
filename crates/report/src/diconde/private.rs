//! The private attributes: what the open dictionary has no attribute for.

use dicom_core::{Tag, VR};

/// Who the block belongs to, in (0015,0010).
pub const CREATOR: &str = "BARWRIGHT";

/// The group: odd, beside that of components and materials.
pub const GROUP: u16 = 0x0015;

/// The block reserved in it.
const BLOCK: u16 = 0x10;

/// Where the creator's name stands.
pub(super) const CREATOR_TAG: Tag = Tag(GROUP, BLOCK);

/// A private attribute.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Private {
    /// Its place in the block.
    pub element: u8,
    /// Representation.
    pub vr: VR,
    /// Name, as dictionaries have it.
    pub keyword: &'static str,
    /// What it says, with its unit.
    pub meaning: &'static str,
}

impl Private {
    /// Its tag in the block that this program reserves.
    #[must_use]
    pub const fn tag(&self) -> Tag {
        Tag(GROUP, BLOCK << 8 | self.element as u16)
    }
}

macro_rules! attributes {
    ($($name:ident = $element:literal $vr:ident $keyword:literal $meaning:literal;)*) => {
        $(
            #[doc = $meaning]
            pub const $name: Private =
                Private { element: $element, vr: VR::$vr, keyword: $keyword, meaning: $meaning };
        )*
        /// Every private attribute, by its place.
        pub const ALL: &[Private] = &[$($name),*];
    };
}

attributes! {
    FORMAT = 0x01 UL "RecordFormat" "format of this block: 1";
    OUTCOME = 0x02 LO "Outcome" "what may be said of the bar, in large words";
    OUTCOME_STATEMENT = 0x03 UT "OutcomeStatement" "what that means for this bar";
    VERDICT = 0x04 CS "Verdict" "RELEASE, CROP, HOLD or REJECT: the judgement, without the ledger";
    REASONS = 0x05 SQ "ReasonSequence" "reasons of the verdict";
    CLAUSE = 0x06 UT "Clause" "key of the rule applied";
    STATEMENT = 0x07 UT "Statement" "what was found against what is allowed; a reason; a cause";
    LETTERS = 0x08 UT "IndicationLetters" "letters of the indications concerned";
    DECISIONS = 0x09 SQ "DecisionSequence" "verdicts changed by a person";
    CAUTIONS = 0x0a UT "Cautions" "cautions that stand on every paper that releases steel";
    NOT_VALIDATED = 0x0b UT "NotValidated" "what the reader must know to be not validated or not on record";
    EVIDENCE = 0x0c SQ "EvidenceSequence" "documents that the record rests on";
    ROLE = 0x0d UT "Role" "what a document is, or in what role somebody acted";
    HASH = 0x0e LO "Hash" "BLAKE3 hash, 64 hexadecimal digits";
    UNITS = 0x0f UT "Units" "units in which public attributes are written here";

    LEDGER_NAME = 0x10 UT "LedgerName" "name of the ledger";
    LEDGER_ENTRY = 0x11 DS "LedgerEntry" "number of an entry of the ledger";
    LEDGER_TIME = 0x12 DT "LedgerTime" "when that entry was written, UTC";
    LEDGER_AUTHOR = 0x13 UT "LedgerAuthor" "who wrote it";
    LINE = 0x14 UT "Line" "line, as the ledger names it";
    OPERATOR = 0x15 UT "Operator" "who ran the line when the bar was screened, as the ledger has it";
    APPROVALS = 0x16 SQ "ApprovalSequence" "approvals of the technique that count";
    PERSON = 0x17 UT "Person" "somebody by name";
    EQUIPMENT = 0x18 SQ "EquipmentSequence" "equipment in use on the line when the bar was screened";
    SERIAL = 0x19 UT "Serial" "serial number or mark";
    WHAT = 0x1a UT "What" "what a piece of equipment is";
    PLACE = 0x1b UT "Place" "where on the line a piece is in use; where in the object a text stands";
    CERTIFICATE = 0x1c UT "Certificate" "number of a calibration's certificate";
    VALID_UNTIL = 0x1d DA "ValidUntil" "last day on which the calibration holds";

    ORDER_NUMBER = 0x20 UT "OrderNumber" "order number, whole";
    CUSTOMER = 0x21 UT "Customer" "customer, whole";
    HEAT = 0x22 UT "Heat" "heat, whole";
    BAR = 0x23 UT "Bar" "bar within the lot, whole";
    SHAPE = 0x24 CS "SectionShape" "ROUND, SQUARE or FLAT";
    SIZE = 0x25 FD "SectionSize" "diameter, side or thickness, m";
    CORNER = 0x26 FD "CornerRadius" "corner radius of a square section, m";
    LENGTH = 0x27 FD "BarLength" "length of the bar, m";
    RULES_NAME = 0x28 UT "RulesName" "acceptance rules by name";
    RULES_VERSION = 0x29 UT "RulesVersion" "their version";
    STATION = 0x2a UT "Station" "station by name";
    LINE_SPEED = 0x2b FD "LineSpeed" "line speed of the technique, m/s";
    PULSE_SPACING = 0x2c FD "PulseSpacing" "way of the bar between two shots of one beam, m";
    PERIOD = 0x2d FD "FiringPeriod" "time after which the firing order starts again, s";
    SHOTS = 0x2e DS "Shots" "shots evaluated";
    NOISE = 0x2f FD "Noise" "noise, fraction of full screen height";

    BEAM = 0x30 UL "BeamNumber" "beam by number, from 0";
    PROBE = 0x31 UL "ProbeNumber" "probe by number, from 1 as on papers";
    MODE = 0x32 CS "WaveMode" "L or S: kind of wave in the steel";
    FIRST_ELEMENT = 0x33 UL "FirstElement" "first element of the aperture, from 1 as on papers";
    GATE_KIND = 0x34 CS "GateKind" "SURFACE, VOLUME, CRACK or BACK WALL";
    GATE_START = 0x35 FD "GateStart" "start of the gate, s";
    GATE_END = 0x36 FD "GateEnd" "end of the gate, s";
    GATE_FROM = 0x37 CS "GateCountsFrom" "FIRING or SURFACE: where its times count from";
    GAIN = 0x38 FD "LevelledGain" "gain by the level, dB re unit transfer";
    PLANNED_GAIN = 0x39 FD "PlannedGain" "gain by the technique, before levelling, dB re unit transfer";
    LEVEL_STATE = 0x3a UT "LevelState" "state of the beam after levelling";
    BEAMS = 0x3b UL "Beams" "beams concerned; absent or empty for all";

    CALIBRATION_KIND = 0x40 CS "CalibrationKind" "LEVELLING, OPENING CHECK or CLOSING CHECK";
    GOOD = 0x41 CS "Good" "YES or NO: whether all limits were met";
    PASSES = 0x42 UL "Passes" "passes evaluated";
    PROGRAM = 0x43 UT "ProgramVersion" "version of the program that made the document";
    NO_CHECKS = 0x44 UT "ChecksMissing" "which check is not on record, in words";

    NOT_INSPECTED = 0x50 SQ "NotInspectedSequence" "stretches that were not inspected";
    FLAW_CLASS = 0x51 CS "FlawClass" "VOLUME or SURFACE";
    FROM = 0x52 FD "From" "start along the bar from the head end, m";
    TO = 0x53 FD "To" "end along the bar from the head end, m";
    INSPECTED = 0x54 SQ "InspectedSequence" "inspected share of the length by flaw class";
    SHARE = 0x55 FD "Share" "a fraction, 0 to 1";
    NOT_INSPECTED_WORDS = 0x56 UT "NotInspectedStatement" "what was not inspected, in words";
    FINDINGS = 0x57 SQ "FindingSequence" "what was noticed";
    TOPIC = 0x58 LO "Topic" "what a finding is about";
    PIECES = 0x59 SQ "PieceSequence" "how the bar is cut";
    FATE = 0x5a CS "Fate" "KEEP or SCRAP";
    KEPT = 0x5b FD "KeptLength" "saleable length, m";
    LOST = 0x5c FD "LostLength" "length that is lost, m";
    BROKEN_OFF = 0x5d UT "BrokenOff" "why the screening broke off";

    POSITION = 0x60 FD "Position" "x and y in the section, m";
    POSITION_UNCERTAINTY = 0x61 FD "PositionUncertainty" "standard uncertainty of the place in the section, m";
    DEPTH = 0x62 FD "Depth" "depth under the surface, m";
    HEIGHT = 0x63 FD "Height" "largest height, fraction of full screen height";
    LOWER_BOUND = 0x64 CS "LowerBound" "YES where the echo was clipped: height and size are lower bounds";
    EQUIVALENT = 0x65 FD "EquivalentSize" "equivalent disc diameter or crack depth by the class, m";
    SIZE_UNCERTAINTY = 0x66 FD "SizeUncertainty" "standard uncertainty of the size, dB of echo height";
    ECHOES = 0x67 UL "Echoes" "echoes that an indication was made from";
    KIND_REASONS = 0x68 UT "KindReasons" "what the likely kind rests on";
    GHOST = 0x69 UT "Ghost" "why an indication is no flaw of its own";
    LENGTH_UNCERTAINTY = 0x6a FD "LengthUncertainty" "standard uncertainty of the length along the bar, m";
    ACROSS = 0x6b FD "Across" "extent in the section, m";

    ROW_BEAMS = 0x70 UL "RowBeams" "beam of each row of the map";
    ROW_GATES = 0x71 US "RowGates" "gate of each row, its place in the beam's list, from 0";
    CELL = 0x72 FD "CellLength" "length of a column along the bar, m";
    STEP = 0x73 FD "HeightStep" "height of one step of the first frame, fraction of full screen height";
    MAP_WORDS = 0x74 UT "MapStatement" "what the frames of the map say";

    FULL_TEXTS = 0x80 SQ "FullTextSequence" "texts that their attribute could not hold whole";
    ATTRIBUTE = 0x81 AT "Attribute" "attribute spoken of";
    FULL_TEXT = 0x82 UT "FullText" "the text, whole";
    LEFT_OPEN = 0x83 SQ "LeftOpenSequence" "attributes that were left out or empty";
    KEYWORD = 0x84 LO "Keyword" "attribute by keyword";
}

#[cfg(test)]
mod tests {
    use super::*;

    // By construction: places are unique and rise, names are unique, no place is the block's own.
    #[test]
    fn every_attribute_has_a_place_and_a_name_of_its_own() {
        assert!(ALL.windows(2).all(|w| w[0].element < w[1].element));
        let mut names: Vec<&str> = ALL.iter().map(|a| a.keyword).collect();
        names.sort_unstable();
        assert!(names.windows(2).all(|w| w[0] != w[1]));
        assert_eq!(FORMAT.tag(), Tag(0x0015, 0x1001));
    }
}
