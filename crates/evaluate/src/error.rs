//! Why a capture or a screened bar could not be judged.

use barwright_capture::CaptureKind;
use barwright_job::DocumentError;

/// Shorthand for results of this crate.
pub type Result<T> = std::result::Result<T, EvaluateError>;

/// A question that has no answer; what was merely noticed is a finding inside the answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum EvaluateError {
    /// Two documents do not belong together, or one could not be used.
    #[error(transparent)]
    Document(#[from] DocumentError),
    /// The capture was taken for another purpose.
    #[error("the capture is of {found}; {judge} needs {wanted}")]
    WrongCapture {
        /// Who refuses.
        judge: &'static str,
        /// What the capture says it is.
        found: CaptureKind,
        /// What would do.
        wanted: &'static str,
    },
    /// The capture was taken with another technique or level.
    #[error("the capture was taken with {role} {found}, not with {wanted}")]
    OtherOrigin {
        /// `technique` or `level`.
        role: &'static str,
        /// Short hash in the capture's header, or `none`.
        found: String,
        /// Short hash of the document offered.
        wanted: String,
    },
    /// The header's record differs from the technique's.
    #[error(
        "the capture holds {found} samples a shot at {found_hz} Hz, the technique asks for {wanted} at {wanted_hz} Hz, or the start or full scale differ"
    )]
    OtherRecord {
        /// Samples a shot in the capture.
        found: u32,
        /// Its sampling rate in Hz.
        found_hz: f64,
        /// Samples a shot in the technique.
        wanted: u32,
        /// Its sampling rate in Hz.
        wanted_hz: f64,
    },
    /// The header does not carry one gain for each beam, or not the level's.
    #[error("gains of the capture: {message}")]
    Gains {
        /// What does not agree, with the numbers.
        message: String,
    },
    /// A verdict cannot be changed so.
    #[error("{message}")]
    Decision {
        /// What is missing or impossible.
        message: String,
    },
    /// A run of shots does not hold together.
    #[error("shot {shot} of the run: {message}")]
    Shots {
        /// Place in the run handed in.
        shot: usize,
        /// What is wrong, with the numbers.
        message: String,
    },
    /// The capture held no shot.
    #[error("the capture holds no shot, there is nothing to judge")]
    Empty,
    /// The bar was not moved as the reference bar's motion list says.
    #[error("motion {motion} of the reference bar: {message}")]
    OtherMotion {
        /// Motion by number, as the shots say it.
        motion: u32,
        /// What differs, with the numbers.
        message: String,
    },
    /// Shots of the motion list are missing.
    #[error(
        "motion {motion} of the reference bar: {missing} of {wanted} shots of beam {beam} are missing in a row, from a turn of {from_deg:.1}°"
    )]
    Gap {
        /// The beam.
        beam: u32,
        /// Motion by number.
        motion: u32,
        /// Shots that are missing in a row.
        missing: u64,
        /// Shots of the beam that the motion has.
        wanted: u64,
        /// Turn of the bar where they begin to be missing, in degrees.
        from_deg: f64,
    },
    /// The echoes are not those of the screened bar.
    #[error(
        "{found} echoes at or over their threshold were handed in, the screened bar counted {wanted}"
    )]
    OtherEchoes {
        /// Counted in the echoes.
        found: u64,
        /// Counted when screening.
        wanted: u64,
    },
}

impl EvaluateError {
    /// The cure in words, where one is known.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Document(e) => e.hint(),
            Self::WrongCapture { wanted, .. } => Some(format!("take a capture as {wanted}")),
            Self::OtherOrigin { role, .. } => Some(format!(
                "use the {role} that was loaded when the capture was taken, or take it again"
            )),
            Self::OtherRecord { .. } => Some("take the capture with the technique's record".into()),
            Self::Gains { .. } => Some("load the level into the station and take it again".into()),
            Self::OtherMotion { .. } => Some(
                "move the bar through the motion list of this reference bar and take the capture again"
                    .into(),
            ),
            Self::Gap { .. } => {
                Some("an echo could hide in the gap: take the capture again, whole".into())
            }
            Self::Shots { .. } | Self::Empty => Some("take the capture again".into()),
            Self::Decision { .. } => None,
            Self::OtherEchoes { .. } => Some("read the echo file named in the screened bar".into()),
        }
    }
}
