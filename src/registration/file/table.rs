//! A registration as CSV, for machines.

use crate::registration::{Quality, Registration, Status};
use std::fmt::Write as _;

/// The registration as CSV: `file,status,utc,x_px,y_px,radius_px` first.
pub fn registration_csv(registration: &Registration) -> String {
    let mut out = String::from(
        "file,status,utc,x_px,y_px,radius_px,centre_sigma_px,umbral_fraction,arc_deg,residual_px,edge_width_px,saturated_share,rig,reason,up_position_angle_deg,mirrored,orientation_sigma_deg,orientation_by,light_ratio,quality,lacks\n",
    );
    let number = |v: Option<f64>, digits: usize| v.map_or(String::new(), |v| format!("{v:.digits$}"));
    let qualities: Vec<Quality> = (0..registration.rigs.len()).map(|rig| Quality::of(registration, rig)).collect();
    for f in &registration.frames {
        let rating = f.disc().and_then(|_| Some(qualities.get(f.rig)?.rate(f, registration.size_of(f))));
        let status = match f.status() {
            Status::Measured => "measured",
            Status::Inferred => "inferred",
            Status::Absent => "absent",
        };
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            "{},{status},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{},{}",
            quoted(&f.file),
            f.time.map_or(String::new(), crate::units::Instant::to_iso_utc),
            number(f.centre().map(|c| c.x), 3),
            number(f.centre().map(|c| c.y), 3),
            number(f.radius_px(), 3),
            number(f.centre_sigma_px(), 3),
            number(f.umbral_fraction, 4),
            number(f.fit().map(|d| d.arc_deg), 0),
            number(f.fit().map(|d| d.residual_px), 3),
            number(f.fit().map(|d| d.edge_width_px), 2),
            number(f.fit().map(|d| d.saturated_share), 3),
            f.rig,
            quoted(&f.reason().unwrap_or_default()),
            number(f.orientation.map(|o| o.up_position_angle.normalized().degrees()), 2),
            f.orientation.map_or(String::new(), |o| o.mirrored.to_string()),
            number(f.orientation.map(|o| o.sigma.degrees()), 2),
            f.orientation.map_or("unknown".into(), |o| o.source.to_string()),
            number(f.light_ratio, 2),
            number(rating.map(|r| r.quality), 2),
            rating.and_then(|r| r.lacks).unwrap_or_default(),
        );
    }
    out
}

/// RFC 4180 quoting, where it is needed.
fn quoted(text: &str) -> String {
    if text.contains([',', '"', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_owned() }
}
