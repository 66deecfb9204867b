//! Which claims the frames overrule, and what to do about it.

use super::claims::Claims;
use super::face::Facing;
use super::moon::Moon;
use super::mount::Aim;
use super::sequence::Sequence;
use super::shadow::{Phases, Slip};
use super::sky_place::SkyPlace;
use crate::camera::Mount;
use crate::diag::Diagnostic;
use crate::registration::Orientation;
use crate::sky::Observer;
use crate::units::{Angle, Instant};
use rayon::prelude::*;

impl Claims {
    /// What has to be said of claims that the solution overrules.
    pub fn overruled(
        &self,
        sequence: &Sequence<'_>,
        aim: &Aim,
        moons: &[Option<&Moon>],
        phases: &Phases,
        facing: &Facing,
    ) -> Vec<Diagnostic> {
        let time = match phases.slip {
            Some(slip) => Some(self.slip(sequence, slip)),
            None => whole_hours(sequence, aim, moons).map(|s| self.slip(sequence, Slip::Zone(s))),
        };
        // A wrong time turns the Moon's face as well: it is named first.
        let site = match time {
            Some(_) => None,
            None => hemisphere(sequence, aim, facing).or_else(|| facing.remarks()),
        };
        [self.focal_length(aim), self.mount(aim), time, site].into_iter().flatten().collect()
    }

    /// What to write into the notes for a slip of zone or date.
    fn slip(&self, sequence: &Sequence<'_>, slip: Slip) -> Diagnostic {
        match slip {
            Slip::Zone(ahead_s) => {
                let remedy = match self.utc_offset_s {
                    Some(offset) => {
                        format!(
                            "write `clock: (utc_offset: \"{}\")` into shoot.ron",
                            offset_words(offset + ahead_s as i64)
                        )
                    }
                    None => format!("write `clock: (ahead_s: {ahead_s:.0})` into shoot.ron"),
                };
                Diagnostic::warning(
                    "clock-zone-doubtful",
                    format!(
                        "the frames show the sky of {:.1} hours {} than the times they carry",
                        ahead_s.abs() / 3600.0,
                        if ahead_s > 0.0 { "earlier" } else { "later" }
                    ),
                )
                .with_help(remedy)
            }
            Slip::Date(ahead_s, greatest) => {
                let day = |instant: Instant| instant.to_iso_utc()[..10].to_owned();
                let claimed = sequence.places.iter().flatten().next().map_or(String::new(), |p| day(p.instant));
                let ahead_s = ahead_s + self.ahead_s;
                Diagnostic::warning(
                    "date-doubtful",
                    format!(
                        "by its clock the camera took them on {claimed}; the frames show the eclipse of {}",
                        day(greatest)
                    ),
                )
                .with_help(format!(
                    "write `clock: (ahead_s: {ahead_s:.0})` into shoot.ron; until then no phase is labelled"
                ))
            }
        }
    }

    /// Whether the frames show the focal length that was recorded; `None` where they show none, or none was.
    pub fn is_lens_right(&self, aim: &Aim) -> Option<bool> {
        /// Marked focal lengths are good to some 5 %, and lenses breathe (common practice, no source).
        const TOLERATED: f64 = 0.12;
        Some((aim.focal_length_px()? / self.focal_length_px?).ln().abs() <= TOLERATED)
    }

    fn focal_length(&self, aim: &Aim) -> Option<Diagnostic> {
        let (claimed, shown) = (self.focal_length_px?, aim.focal_length_px()?);
        let (millimetres, ratio) = (self.focal_length_mm?, shown / claimed);
        (self.is_lens_right(aim) == Some(false)).then(|| {
            let true_mm = millimetres * ratio;
            Diagnostic::warning(
                "focal-length-doubtful",
                format!(
                    "the frames show {true_mm:.0} mm, {millimetres:.0} mm was recorded: the Moon's size contradicts the \
                     focal length and pixel pitch given; they are set aside"
                ),
            )
            .with_help(format!("write `optics: (focal_length_mm: {true_mm:.0})` into shoot.ron, or correct the pixel pitch"))
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

/// An offset from UTC as shoot notes write it.
fn offset_words(seconds: i64) -> String {
    let (sign, size) = (if seconds < 0 { '-' } else { '+' }, seconds.abs());
    format!("{sign}{:02}:{:02}", size / 3600, size % 3600 / 60)
}

/// A fixed tripod whose aim fits badly, or stands oddly, at the frames' own times, and well at times whole hours away:
/// another hour's track bends otherwise, and only a rolled camera can follow it. Seconds that the times are ahead.
pub(super) fn whole_hours(sequence: &Sequence<'_>, aim: &Aim, moons: &[Option<&Moon>]) -> Option<f64> {
    /// A residual beyond this, pixels, is more than lens and limbs leave.
    const SUSPICIOUS_PX: f64 = 0.3;
    /// Nobody sets a camera on a tripod askew by more.
    const SUSPICIOUS_ROLL_DEG: f64 = 8.0;
    /// Of the frames that the given time explains, the right one must explain this share: where all is bent more of them pass for
    /// near enough.
    const MOST_FRAMES: f64 = 0.85;
    let observer = sequence.observer()?;
    let own = aim.pointings().iter().max_by_key(|p| p.frames).filter(|p| p.frames >= 6)?;
    let roll = |p: &crate::registration::PointingSolution| p.pointing.roll.normalized_signed().degrees().abs();
    if own.rms_px < SUSPICIOUS_PX && roll(own) < SUSPICIOUS_ROLL_DEG {
        return None;
    }
    let others: Vec<(f64, f64, f64, usize)> = (-14i32..=14)
        .filter(|h| *h != 0)
        .collect::<Vec<_>>()
        .into_par_iter()
        .filter_map(|hours| {
            let ahead_s = f64::from(hours) * 3600.0;
            let moved = sequence.put_right_by(&observer, ahead_s);
            let there = aim.pointed_with(&moved, moons)?;
            Some((ahead_s, there.rms_px, roll(&there), there.frames))
        })
        .collect();
    let better = |o: &&(f64, f64, f64, usize)| {
        o.3 as f64 >= MOST_FRAMES * own.frames as f64
            && o.2 < SUSPICIOUS_ROLL_DEG
            && (o.1 < 0.5 * own.rms_px || (o.1 < SUSPICIOUS_PX && roll(own) > 20.0))
    };
    others.iter().filter(better).min_by(|a, b| a.1.total_cmp(&b.1)).map(|o| o.0)
}

/// What is said of the frames at one zoom, and in which of them the Moon was found.
pub(super) struct SaidOfZoom<'a> {
    pub files: Vec<&'a str>,
    /// Whether they show the focal length that was recorded.
    pub is_lens_right: Option<bool>,
    pub said: &'a mut Vec<Diagnostic>,
}

/// Where a rig's frames show several sizes of the Moon, no one focal length is to be written into the notes. Of many that each
/// contradict what was recorded there is one word instead of as many that exclude each other; where what was recorded fits some
/// frames, the remedy is for the others alone.
pub(super) fn say_once_of_focal_lengths(mut zooms: Vec<SaidOfZoom<'_>>) {
    /// Two may be a lens and a converter; a zoom lens rests at each of its lengths for more frames.
    const MANY: usize = 3;
    const FEW_FRAMES: usize = 4;
    /// As many must fit before what was recorded is believed of them.
    const FEWEST_FITTING: usize = 3;
    let is_of_lens = |d: &Diagnostic| d.code == "focal-length-doubtful";
    let told: Vec<&SaidOfZoom<'_>> = zooms.iter().filter(|z| z.said.iter().any(is_of_lens)).collect();
    let fitting: usize = zooms.iter().filter(|z| z.is_lens_right == Some(true)).map(|z| z.files.len()).sum();
    let count = told.len();
    if count < MANY || 2 * told.iter().filter(|z| z.files.len() <= FEW_FRAMES).count() < count {
        for zoom in zooms.iter_mut().filter(|_| fitting >= FEWEST_FITTING) {
            let files = match zoom.files.as_slice() {
                [one] => (*one).to_owned(),
                [first, .., last] => format!("the {} from {first} to {last}", zoom.files.len()),
                [] => continue,
            };
            let help = format!(
                "the length recorded fits {fitting} other frames: write theirs as `focal_length_mm` into frames.csv for {files}"
            );
            zoom.said.iter_mut().filter(|d| is_of_lens(d)).for_each(|d| d.help = Some(help.clone()));
        }
        return;
    }
    zooms.iter_mut().for_each(|z| z.said.retain(|d| !is_of_lens(d)));
    let text = format!(
        "the Moon's size changes from frame to frame ({count} sizes that the focal length recorded does not explain); each frame's Moon \
         tells its own"
    );
    zooms[0].said.push(Diagnostic::warning("focal-length-doubtful", text).with_help(
        "nothing need be written if the camera was held to an eyepiece; at the marks of a zoom lens, write `focal_length_mm` into frames.csv",
    ));
}

/// A level camera whose Moons all stand turned, as they would from the other hemisphere.
fn hemisphere(sequence: &Sequence<'_>, aim: &Aim, facing: &Facing) -> Option<Diagnostic> {
    /// Hands level a tripod to a few degrees (common practice, no source).
    const LEVEL_DEG: f64 = 15.0;
    if !matches!(sequence.night.mount(), Mount::ReaimedTripod | Mount::FixedTripod) || aim.is_pointed() {
        return None;
    }
    let site = sequence.night.site?;
    let seen: Vec<(Orientation, Instant)> = facing
        .by_features()
        .iter()
        .zip(&sequence.places)
        .filter_map(|(o, p)| Some(((*o)?, p.as_ref()?.instant)))
        .collect();
    let tilt = |observer: &Observer| {
        let mut offs: Vec<f64> = seen
            .iter()
            .map(|(o, instant)| {
                let up: Angle = o.up_position_angle - SkyPlace::at(observer, *instant).parallactic_angle;
                up.normalized_signed().degrees().abs()
            })
            .collect();
        offs.sort_by(f64::total_cmp);
        offs.get(offs.len() / 2).copied()
    };
    let own = tilt(&site.observer().ok()?)?;
    if seen.len() < 3 || own < LEVEL_DEG {
        return None;
    }
    let mirrored = Observer::new(-site.latitude_deg, site.longitude_deg, site.elevation_m).ok()?;
    let across = tilt(&mirrored)?;
    let warning = Diagnostic::warning(
        "site-doubtful",
        format!("the Moon's face stands {own:.0} degrees turned against what a level camera at this site would show"),
    );
    Some(if across < LEVEL_DEG {
        warning.with_help(format!(
            "it fits the other hemisphere: write `latitude_deg: {:.4}` into shoot.ron",
            -site.latitude_deg
        ))
    } else {
        warning
            .with_help("check the site and the clock in shoot.ron, or write `mount: Unknown` if the camera was turned")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_sizes_of_a_few_frames_each_are_one_word_and_a_zooms_marks_are_not() {
        let told = |frames: &[usize]| {
            let said = |_| vec![Diagnostic::warning("focal-length-doubtful", "200 mm"), Diagnostic::note("other", "")];
            let mut all: Vec<Vec<Diagnostic>> = frames.iter().map(said).collect();
            let zoom =
                |(said, n): (_, &usize)| SaidOfZoom { files: vec!["a.jpg"; *n], is_lens_right: Some(false), said };
            say_once_of_focal_lengths(all.iter_mut().zip(frames).map(zoom).collect());
            let of_lens = |d: &&Diagnostic| d.code == "focal-length-doubtful";
            all.iter().map(|said| said.iter().filter(of_lens).count()).collect::<Vec<usize>>()
        };
        assert_eq!(told(&[4, 3, 2, 2, 9]), [1, 0, 0, 0, 0], "a phone before an eyepiece");
        assert_eq!(told(&[12, 20, 15]), [1, 1, 1], "three marks of a zoom lens, each with its remedy");
        assert_eq!(told(&[3, 2]), [1, 1], "a lens and a converter");
    }

    #[test]
    fn a_length_that_fits_some_frames_is_not_to_be_written_over() {
        let mut of_lens = vec![];
        let mut of_both = vec![
            Diagnostic::warning("focal-length-doubtful", "1120 mm")
                .with_help("write `optics: (focal_length_mm: 1120)`"),
        ];
        say_once_of_focal_lengths(vec![
            SaidOfZoom { files: vec!["a.jpg"; 20], is_lens_right: Some(true), said: &mut of_lens },
            SaidOfZoom { files: vec!["b.jpg"; 7], is_lens_right: None, said: &mut vec![] },
            SaidOfZoom { files: vec!["c.jpg", "d.jpg"], is_lens_right: Some(false), said: &mut of_both },
        ]);
        let help = of_both[0].help.as_deref().unwrap();
        assert!(
            help.contains("20 other frames") && help.contains("frames.csv for the 2 from c.jpg to d.jpg"),
            "{help}"
        );
    }
}
