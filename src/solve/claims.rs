//! What the papers claim, and which of it the frames overrule.

use super::mount::Aim;
use super::sequence::Sequence;
use crate::diag::Diagnostic;
use crate::ingest::Mount;

/// What metadata and notes say of the frames at one zoom.
pub(super) struct Claims {
    pub mount: Mount,
    /// Pixels per radian, by focal length and pixel pitch.
    pub focal_length_px: Option<f64>,
    /// The focal length itself.
    focal_length_mm: Option<f64>,
}

impl Claims {
    pub fn of(sequence: &Sequence<'_>) -> Self {
        Claims {
            mount: sequence.night.mount(),
            focal_length_px: sequence.rig.focal_length_px,
            focal_length_mm: sequence.rig.focal_length_mm,
        }
    }

    /// What has to be said of claims that the solution overrules.
    pub fn overruled(&self, aim: &Aim) -> Vec<Diagnostic> {
        self.focal_length(aim).into_iter().chain(self.mount(aim)).collect()
    }

    fn focal_length(&self, aim: &Aim) -> Option<Diagnostic> {
        /// Marked focal lengths are good to some 5 %, and lenses breathe (common practice, no source).
        const TOLERATED: f64 = 0.12;
        let (claimed, shown) = (self.focal_length_px?, aim.focal_length_px()?);
        let (millimetres, ratio) = (self.focal_length_mm?, shown / claimed);
        (ratio.ln().abs() > TOLERATED).then(|| {
            let true_mm = millimetres * ratio;
            Diagnostic::warning(
                "focal-length-doubtful",
                format!(
                    "the frames show {true_mm:.0} mm, {millimetres:.0} mm was recorded: the Moon's size contradicts the \
                     focal length and pixel pitch given; they are set aside"
                ),
            )
            .with_help(format!("write `optics: (focal_length_mm: {true_mm:.0})` into shoot.ron, or mend the pixel pitch"))
        })
    }

    fn mount(&self, aim: &Aim) -> Option<Diagnostic> {
        let (found, words) = match (self.mount, aim.mount()) {
            (Mount::FixedTripod, Mount::Tracking) => ("Tracking", "a mount that followed the sky"),
            (Mount::Tracking, Mount::FixedTripod) => ("FixedTripod", "a tripod that nobody turned"),
            (Mount::Tracking, Mount::Unknown) if aim.well_seen() >= 6 => {
                ("Unknown", "a camera aimed anew time and again")
            }
            // A fixed tripod's track that is not found has a warning of its own: site or clock may be to blame.
            _ => return None,
        };
        Some(
            Diagnostic::warning("mount-doubtful", format!("the notes say {:?}; the frames show {words}", self.mount))
                .with_help(format!("write `mount: {found}` into shoot.ron, or check the site and the clock")),
        )
    }
}
