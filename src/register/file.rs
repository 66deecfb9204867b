//! The registration as a file: readable RON that a person may edit, and CSV for machines.
//!
//! A person may set `exclude: true` on a frame, or move `centre_px`; both are kept when the file is
//! given to `compose`.

use super::{
    ClockEstimate, Drift, FrameRegistration, MountRotation, Orientation, OrientationSource, PointingSolution,
    Registration, Rejection, RejectionReason, RigSolution, Status, TrackingSolution, Wobble,
};
use crate::diag::{Diagnostic, Span, read_ron};
use crate::raster::PixelPoint;
use crate::sky::{CameraPointing, Lens};
use crate::units::{Angle, Instant};
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;
use std::path::Path;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileForm {
    version: u32,
    /// Folder of the frames, relative to the file.
    frames_folder: String,
    /// Digest of the frames' names, sizes and times, and of the notes.
    frames_digest: String,
    rigs: Vec<RigForm>,
    frames: Vec<FrameForm>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RigForm {
    width_px: usize,
    height_px: usize,
    #[serde(default)]
    focal_length_px: Option<f64>,
    #[serde(default)]
    pointings: Vec<PointingForm>,
    #[serde(default)]
    tracking: Option<TrackingForm>,
    #[serde(default)]
    mirrored: Option<bool>,
    #[serde(default)]
    rotation: Option<RotationForm>,
    #[serde(default)]
    clock: Option<ClockForm>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PointingForm {
    #[serde(default)]
    from_utc: Option<String>,
    azimuth_deg: f64,
    altitude_deg: f64,
    roll_deg: f64,
    focal_length_px: f64,
    k1: f64,
    rms_px: f64,
    frames: usize,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TrackingForm {
    stretches: Vec<DriftForm>,
    #[serde(default)]
    wobble: Option<WobbleForm>,
    rms_px: f64,
    frames: usize,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct DriftForm {
    from_utc: String,
    until_utc: String,
    start_px: (f64, f64),
    px_per_hour: (f64, f64),
    #[serde(default)]
    bend_px_per_hour2: (f64, f64),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WobbleForm {
    period_s: f64,
    sine_px: (f64, f64),
    cosine_px: (f64, f64),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RotationForm {
    up_position_angle_deg: f64,
    degrees_per_hour: f64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ClockForm {
    ahead_s: f64,
    sigma_s: f64,
    frames: usize,
}

#[derive(Serialize, Deserialize, Clone, Copy)]
enum SourceForm {
    Features,
    Pointing,
    Shadow,
    Sequence,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct OrientationForm {
    up_position_angle_deg: f64,
    #[serde(default)]
    mirrored: bool,
    sigma_deg: f64,
    by: SourceForm,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RejectionForm {
    centre_px: (f64, f64),
    radius_px: f64,
    because: String,
}

#[derive(Serialize, Deserialize, Clone, Copy)]
enum StatusForm {
    Measured,
    Inferred,
    Absent,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FrameForm {
    file: String,
    #[serde(default)]
    exclude: bool,
    status: StatusForm,
    #[serde(default)]
    utc: Option<String>,
    #[serde(default)]
    centre_px: Option<(f64, f64)>,
    #[serde(default)]
    radius_px: Option<f64>,
    #[serde(default)]
    centre_sigma_px: Option<f64>,
    #[serde(default)]
    umbral_fraction: Option<f64>,
    #[serde(default)]
    orientation: Option<OrientationForm>,
    #[serde(default)]
    light_ratio: Option<f64>,
    #[serde(default)]
    limb: Option<LimbForm>,
    #[serde(default)]
    rejected: Vec<RejectionForm>,
    #[serde(default)]
    rig: usize,
    #[serde(default)]
    foreground: bool,
    #[serde(default)]
    reason: Option<String>,
}

/// What was measured of the limb.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LimbForm {
    arc_deg: f64,
    residual_px: f64,
    edge_width_px: f64,
    saturated_share: f64,
    contrast: f64,
    agreeing: f64,
    disc_level: f64,
    mean_level: f64,
    sky_level: f64,
    rectified_radius_px: f64,
    radius_sigma_px: f64,
}

/// Rounded so that the file reads well; far below what was measured.
fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

impl From<&FrameRegistration> for FrameForm {
    fn from(f: &FrameRegistration) -> Self {
        FrameForm {
            file: f.file.clone(),
            exclude: f.exclude,
            status: match f.status {
                Status::Measured => StatusForm::Measured,
                Status::Inferred => StatusForm::Inferred,
                Status::Absent => StatusForm::Absent,
            },
            utc: f.utc.clone(),
            centre_px: f.centre.map(|c| (rounded(c.x), rounded(c.y))),
            radius_px: f.radius_px.map(rounded),
            centre_sigma_px: f.centre_sigma_px.map(rounded),
            umbral_fraction: f.umbral_fraction.map(rounded),
            orientation: f.orientation.map(|o| OrientationForm {
                up_position_angle_deg: rounded(o.up_position_angle.normalized().degrees()),
                mirrored: o.mirrored,
                sigma_deg: rounded(o.sigma.degrees()),
                by: match o.source {
                    OrientationSource::Features => SourceForm::Features,
                    OrientationSource::Pointing => SourceForm::Pointing,
                    OrientationSource::Shadow => SourceForm::Shadow,
                    OrientationSource::Sequence => SourceForm::Sequence,
                },
            }),
            light_ratio: f.light_ratio.map(rounded),
            rejected: f
                .rejected
                .iter()
                .map(|r| RejectionForm {
                    centre_px: (rounded(r.centre.x), rounded(r.centre.y)),
                    radius_px: rounded(r.radius_px),
                    because: r.reason.to_string(),
                })
                .collect(),
            limb: f.fit.map(|d| LimbForm {
                arc_deg: rounded(d.arc_deg),
                residual_px: rounded(d.residual_px),
                edge_width_px: rounded(d.edge_width_px),
                saturated_share: rounded(d.saturated_share),
                contrast: rounded(d.contrast),
                agreeing: rounded(d.agreeing),
                disc_level: (f64::from(d.disc_level) * 1e7).round() / 1e7,
                mean_level: (f64::from(d.mean_level) * 1e7).round() / 1e7,
                sky_level: (f64::from(d.sky_level) * 1e7).round() / 1e7,
                rectified_radius_px: rounded(d.rectified_radius_px),
                radius_sigma_px: rounded(d.radius_sigma_px),
            }),
            rig: f.rig,
            foreground: f.foreground,
            reason: f.reason.clone(),
        }
    }
}

impl From<FrameForm> for FrameRegistration {
    fn from(f: FrameForm) -> Self {
        let centre = f.centre_px.map(|(x, y)| PixelPoint::new(x, y));
        FrameRegistration {
            file: f.file,
            rig: f.rig,
            status: match f.status {
                StatusForm::Measured => Status::Measured,
                StatusForm::Inferred => Status::Inferred,
                StatusForm::Absent => Status::Absent,
            },
            utc: f.utc,
            centre,
            radius_px: f.radius_px,
            centre_sigma_px: f.centre_sigma_px,
            umbral_fraction: f.umbral_fraction,
            orientation: f.orientation.map(|o| Orientation {
                up_position_angle: Angle::from_degrees(o.up_position_angle_deg),
                mirrored: o.mirrored,
                sigma: Angle::from_degrees(o.sigma_deg),
                source: match o.by {
                    SourceForm::Features => OrientationSource::Features,
                    SourceForm::Pointing => OrientationSource::Pointing,
                    SourceForm::Shadow => OrientationSource::Shadow,
                    SourceForm::Sequence => OrientationSource::Sequence,
                },
            }),
            light_ratio: f.light_ratio,
            rejected: f.rejected.iter().filter_map(rejection_of).collect(),
            fit: f.limb.zip(centre).map(|(l, centre)| super::DiscFit {
                centre,
                radius_px: f.radius_px.unwrap_or(l.rectified_radius_px),
                rectified_radius_px: l.rectified_radius_px,
                centre_sigma_px: f.centre_sigma_px.unwrap_or(0.0),
                radius_sigma_px: l.radius_sigma_px,
                arc_deg: l.arc_deg,
                residual_px: l.residual_px,
                edge_width_px: l.edge_width_px,
                saturated_share: l.saturated_share,
                disc_level: l.disc_level as f32,
                mean_level: l.mean_level as f32,
                sky_level: l.sky_level as f32,
                contrast: l.contrast,
                agreeing: l.agreeing,
            }),
            foreground: f.foreground,
            exclude: f.exclude,
            reason: f.reason,
        }
    }
}

fn rejection_of(form: &RejectionForm) -> Option<Rejection> {
    let (reason, _) = RejectionReason::ALL.into_iter().find(|(_, words)| *words == form.because)?;
    let centre = PixelPoint::new(form.centre_px.0, form.centre_px.1);
    Some(Rejection { centre, radius_px: form.radius_px, reason })
}

fn pointing_form(p: &PointingSolution) -> PointingForm {
    PointingForm {
        from_utc: p.from.map(Instant::to_iso_utc),
        azimuth_deg: p.pointing.azimuth.normalized().degrees(),
        altitude_deg: p.pointing.altitude.degrees(),
        roll_deg: p.pointing.roll.degrees(),
        focal_length_px: p.pointing.lens.focal_length_px,
        k1: p.pointing.lens.k1,
        rms_px: rounded(p.rms_px),
        frames: p.frames,
    }
}

fn pointing_of(f: &PointingForm, width: usize, height: usize) -> PointingSolution {
    let pointing = CameraPointing {
        lens: Lens { k1: f.k1, ..Lens::rectilinear(width, height, f.focal_length_px) },
        azimuth: Angle::from_degrees(f.azimuth_deg),
        altitude: Angle::from_degrees(f.altitude_deg),
        roll: Angle::from_degrees(f.roll_deg),
    };
    let from = f.from_utc.as_deref().and_then(|t| Instant::parse_utc(t).ok());
    PointingSolution::as_kept(from, pointing, f.rms_px, f.frames)
}

fn tracking_form(t: &TrackingSolution) -> TrackingForm {
    TrackingForm {
        stretches: t
            .stretches
            .iter()
            .map(|d| DriftForm {
                from_utc: d.from.to_iso_utc(),
                until_utc: d.until.to_iso_utc(),
                start_px: (d.start.x, d.start.y),
                px_per_hour: d.px_per_hour,
                bend_px_per_hour2: d.bend,
            })
            .collect(),
        wobble: t.wobble.map(|w| WobbleForm { period_s: w.period_s, sine_px: w.sine_px, cosine_px: w.cosine_px }),
        rms_px: rounded(t.rms_px),
        frames: t.frames,
    }
}

/// Stretches whose times do not read are left out; `check` has named them before.
fn tracking_of(f: &TrackingForm) -> TrackingSolution {
    let time = |t: &str| Instant::parse_utc(t).ok();
    let drift = |d: &DriftForm| {
        Some(Drift {
            from: time(&d.from_utc)?,
            until: time(&d.until_utc)?,
            start: PixelPoint::new(d.start_px.0, d.start_px.1),
            px_per_hour: d.px_per_hour,
            bend: d.bend_px_per_hour2,
        })
    };
    TrackingSolution {
        stretches: f.stretches.iter().filter_map(drift).collect(),
        wobble: f.wobble.as_ref().map(|w| Wobble { period_s: w.period_s, sine_px: w.sine_px, cosine_px: w.cosine_px }),
        rms_px: f.rms_px,
        frames: f.frames,
    }
}

fn rig_form(r: &RigSolution) -> RigForm {
    RigForm {
        width_px: r.width,
        height_px: r.height,
        focal_length_px: r.focal_length_px,
        pointings: r.pointings.iter().map(pointing_form).collect(),
        tracking: r.tracking.as_ref().map(tracking_form),
        mirrored: r.mirrored,
        rotation: r.rotation.map(|m| RotationForm {
            up_position_angle_deg: rounded(m.up_position_angle.degrees()),
            degrees_per_hour: rounded(m.degrees_per_hour),
        }),
        clock: r.clock.map(|c| ClockForm {
            ahead_s: rounded(c.ahead_s),
            sigma_s: rounded(c.sigma_s),
            frames: c.frames,
        }),
    }
}

fn rig_of(r: &RigForm) -> RigSolution {
    RigSolution {
        width: r.width_px,
        height: r.height_px,
        focal_length_px: r.focal_length_px,
        pointings: r.pointings.iter().map(|p| pointing_of(p, r.width_px, r.height_px)).collect(),
        tracking: r.tracking.as_ref().map(tracking_of),
        mirrored: r.mirrored,
        rotation: r.rotation.as_ref().map(|m| MountRotation {
            up_position_angle: Angle::from_degrees(m.up_position_angle_deg),
            degrees_per_hour: m.degrees_per_hour,
        }),
        clock: r.clock.as_ref().map(|c| ClockEstimate { ahead_s: c.ahead_s, sigma_s: c.sigma_s, frames: c.frames }),
    }
}

/// The registration as RON; `frames_folder` is written as given, `frames_digest` identifies the frames.
///
/// # Errors
/// A [`Diagnostic`] when the text cannot be made.
pub fn registration_text(
    registration: &Registration,
    frames_folder: &str,
    frames_digest: &str,
) -> Result<String, Diagnostic> {
    let form = FileForm {
        version: 2,
        frames_folder: frames_folder.to_owned(),
        frames_digest: frames_digest.to_owned(),
        rigs: registration.rigs.iter().map(rig_form).collect(),
        frames: registration.frames.iter().map(FrameForm::from).collect(),
    };
    let body = crate::diag::write_ron(&form)?;
    Ok(format!(
        "// Where the Moon was found. You may set `exclude: true` on a frame or move a `centre_px`;\n\
         // `moonloom compose LAYOUT THIS_FILE` keeps your changes.\n{body}\n"
    ))
}

/// A registration read back: itself, the folder of its frames as written, and their digest.
///
/// # Errors
/// A [`Diagnostic`] that points at the fault.
pub fn read_registration(path: &Path, text: &str) -> Result<(Registration, String, String), Diagnostic> {
    let form: FileForm = read_ron(path, text)?;
    if form.version != 2 {
        let mut d = Diagnostic::error(
            "registration-version",
            format!("version {} of a registration is not known", form.version),
        )
        .with_help("register the frames again with this program");
        d.span = Span::of_field(path, text, &["version"]);
        return Err(d);
    }
    let rigs: Vec<RigSolution> = form.rigs.iter().map(rig_of).collect();
    if let Some(f) = form.frames.iter().find(|f| f.rig >= rigs.len()) {
        return Err(Diagnostic::error(
            "registration-rig",
            format!("{} belongs to rig {}, which is not listed", f.file, f.rig),
        )
        .with_help("register the frames again"));
    }
    check(path, text, &form)?;
    let frames = form.frames.into_iter().map(FrameRegistration::from).collect();
    Ok((Registration { rigs, frames }, form.frames_folder, form.frames_digest))
}

/// Whether the numbers of a file, which a person may have edited, can be true.
fn check(path: &Path, text: &str, form: &FileForm) -> Result<(), Diagnostic> {
    let fault = |names: &[&str], message: String| {
        let mut d =
            Diagnostic::error("registration-value", message).with_help("mend the number, or register the frames again");
        d.span = Span::of_field(path, text, names);
        Err(d)
    };
    for rig in &form.rigs {
        let lengths = rig.pointings.iter().map(|p| p.focal_length_px).chain(rig.focal_length_px);
        let angles = rig.pointings.iter().flat_map(|p| [p.azimuth_deg, p.altitude_deg, p.roll_deg, p.k1]);
        let times = rig.pointings.iter().filter_map(|p| p.from_utc.as_deref()).chain(
            rig.tracking.iter().flat_map(|t| &t.stretches).flat_map(|d| [d.from_utc.as_str(), d.until_utc.as_str()]),
        );
        let sides = [rig.width_px, rig.height_px];
        let plausible = lengths.into_iter().all(|f| f > 1.0 && f < 1e9)
            && angles.into_iter().all(|a| a.is_finite() && a.abs() < 1000.0)
            && times.into_iter().all(|t| Instant::parse_utc(t).is_ok())
            && sides.iter().all(|s| (1..=200_000).contains(s));
        if !plausible {
            return fault(&["rigs"], "the numbers of a rig cannot be true".into());
        }
    }
    for f in &form.frames {
        let rig = &form.rigs[f.rig];
        let (w, h) = (rig.width_px as f64, rig.height_px as f64);
        if let Some((x, y)) = f.centre_px
            && !((-w..=2.0 * w).contains(&x) && (-h..=2.0 * h).contains(&y))
        {
            return fault(
                &[&f.file, "centre_px"],
                format!("{}: the centre ({x}, {y}) is far outside the frame", f.file),
            );
        }
        if let Some(r) = f.radius_px
            && !(0.5..=w.max(h)).contains(&r)
        {
            return fault(&[&f.file, "radius_px"], format!("{}: a disc of radius {r} px is not in this frame", f.file));
        }
        if f.centre_px.is_some() != f.radius_px.is_some() {
            return fault(&[&f.file], format!("{}: centre and radius must be given together", f.file));
        }
        if let Some(utc) = &f.utc
            && crate::units::Instant::parse_utc(utc).is_err()
        {
            return fault(&[&f.file, "utc"], format!("{}: `{utc}` is not a date and time", f.file));
        }
    }
    Ok(())
}

/// The registration as CSV: `file,status,utc,x_px,y_px,radius_px` first.
pub fn registration_csv(registration: &Registration) -> String {
    let mut out = String::from(
        "file,status,utc,x_px,y_px,radius_px,centre_sigma_px,umbral_fraction,arc_deg,residual_px,edge_width_px,saturated_share,rig,reason,up_position_angle_deg,mirrored,orientation_sigma_deg,orientation_by,light_ratio\n",
    );
    let number = |v: Option<f64>, digits: usize| v.map_or(String::new(), |v| format!("{v:.digits$}"));
    for f in &registration.frames {
        let status = match f.status {
            Status::Measured => "measured",
            Status::Inferred => "inferred",
            Status::Absent => "absent",
        };
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            "{},{status},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{}",
            quoted(&f.file),
            f.utc.as_deref().unwrap_or(""),
            number(f.centre.map(|c| c.x), 3),
            number(f.centre.map(|c| c.y), 3),
            number(f.radius_px, 3),
            number(f.centre_sigma_px, 3),
            number(f.umbral_fraction, 4),
            number(f.fit.map(|d| d.arc_deg), 0),
            number(f.fit.map(|d| d.residual_px), 3),
            number(f.fit.map(|d| d.edge_width_px), 2),
            number(f.fit.map(|d| d.saturated_share), 3),
            f.rig,
            quoted(f.reason.as_deref().unwrap_or("")),
            number(f.orientation.map(|o| o.up_position_angle.normalized().degrees()), 2),
            f.orientation.map_or(String::new(), |o| o.mirrored.to_string()),
            number(f.orientation.map(|o| o.sigma.degrees()), 2),
            f.orientation.map_or("unknown".into(), |o| o.source.to_string()),
            number(f.light_ratio, 2),
        );
    }
    out
}

/// RFC 4180 quoting, where it is needed.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}
