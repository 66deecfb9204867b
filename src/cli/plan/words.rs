//! A plan and a list of eclipses as tables for people.

use moonloom::plan::{EclipseSummary, Recommendation, RigPlan, ShootingPlan};
use std::fmt::Write as _;

/// A list of eclipses.
pub fn list(summaries: &[EclipseSummary]) -> String {
    let mut out = String::from("greatest eclipse (UTC)  type       umbral  penumbral  saros");
    out.push_str(if summaries.iter().any(|s| s.visibility.is_some()) {
        "  seen: penumbral  partial  total  altitude\n"
    } else {
        "\n"
    });
    for s in summaries {
        let greatest = s.contacts.greatest.as_deref().unwrap_or("").replace('T', " ");
        let _ = write!(
            out,
            "{:<22}  {:<9} {:>7.3}  {:>9.3}  {:>5}",
            &greatest[..19.min(greatest.len())],
            s.kind,
            s.umbral_magnitude,
            s.penumbral_magnitude,
            s.saros
        );
        if let Some(v) = &s.visibility {
            let share = |v: Option<f64>| v.map_or("-".to_owned(), |v| format!("{:.0} %", v * 100.0));
            let _ = write!(
                out,
                "  {:>15}  {:>7}  {:>5}  {:>7.0}\u{b0}",
                share(Some(v.penumbral)),
                share(v.partial),
                share(v.total),
                v.altitude_at_greatest_deg
            );
        }
        out.push('\n');
    }
    out
}

/// A time as people say it.
fn seconds(s: f64) -> String {
    match s {
        s if s < 0.3 => format!("1/{:.0} s", 1.0 / s),
        s if s < 10.0 => format!("{s:.1} s"),
        s if s < 600.0 => format!("{s:.0} s"),
        s => format!("{:.0} min", s / 60.0),
    }
}

pub fn words(night: &ShootingPlan) -> String {
    let mut out = String::new();
    let e = &night.eclipse;
    let greatest = e.contacts.greatest.as_deref().unwrap_or("");
    let _ = writeln!(
        out,
        "{} lunar eclipse, greatest {greatest}, umbral magnitude {:.3}, Saros {}\n",
        capital(&e.kind),
        e.umbral_magnitude,
        e.saros
    );
    timetable_words(&mut out, night);
    if let Some(recommendation) = &night.recommendation {
        recommended_words(&mut out, recommendation);
    }
    night.rigs.iter().for_each(|rig| rig_words(&mut out, rig));
    out.push_str("\nHave ready\n");
    night.checklist.iter().for_each(|line| bullet(&mut out, line));
    out.push_str("\nBeware\n");
    night.cautions.iter().for_each(|line| bullet(&mut out, line));
    out
}

/// The night by the clock; local dates stand on lines of their own.
fn timetable_words(out: &mut String, night: &ShootingPlan) {
    let _ = writeln!(out, "local times are of the zone {}", night.zone);
    out.push_str("          local     UTC       altitude  azimuth   Sun  umbra  stops below full  mag/arcsec\u{b2}\n");
    let mut date = "";
    for r in &night.timetable {
        if date != &r.local[..10] {
            date = &r.local[..10];
            let _ = writeln!(out, "{date}");
        }
        let spread = if r.stops_spread.1 - r.stops_spread.0 < 0.15 {
            format!("{:.1}", r.stops_below_full)
        } else {
            format!("{:.1} ({:.0}..{:.0})", r.stops_below_full, r.stops_spread.0, r.stops_spread.1)
        };
        let sky = if r.twilight == "night" { "" } else { r.twilight };
        let _ = writeln!(
            out,
            "{:<9} {}  {}  {:>7.1}\u{b0}  {:>6.1}\u{b0}  {:>3.0}\u{b0}  {:>3.0} %  {:>16}  {:>6.1}  {sky}",
            r.contact.as_deref().unwrap_or(""),
            &r.local[11..],
            &r.utc[11..19],
            r.altitude_deg,
            r.azimuth_deg,
            r.sun_altitude_deg,
            r.umbral_fraction * 100.0,
            spread,
            r.surface_magnitude
        );
    }
    out.push_str("stops: at Danjon 2, and in brackets from a bright eclipse (4) to a dark one (0)\n");
}

fn recommended_words(out: &mut String, recommended: &Recommendation) {
    let _ = writeln!(out, "\nframes from {} to {}", &recommended.begin[..16], &recommended.stop[..16]);
    for (what, lens) in [("the track", &recommended.for_the_track), ("the disc", &recommended.for_the_disc)] {
        if let Some(lens) = lens {
            let _ = writeln!(out, "for {what}: {lens}");
        }
    }
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or(String::new(), |c| c.to_uppercase().collect::<String>() + letters.as_str())
}

/// A point, wrapped at the terminal's width (100 columns where there is none).
fn bullet(out: &mut String, line: &str) {
    let width = std::env::var("COLUMNS").ok().and_then(|c| c.parse::<usize>().ok()).unwrap_or(100).clamp(40, 160);
    let mut column = 0;
    for word in line.split(' ') {
        if column == 0 {
            out.push_str("  - ");
            column = 4;
        } else if column + word.chars().count() + 1 > width {
            out.push_str("\n    ");
            column = 4;
        } else if column > 4 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += word.chars().count();
    }
    out.push('\n');
}

fn rig_words(out: &mut String, rig: &RigPlan) {
    let _ = writeln!(
        out,
        "\n{}: field {:.1} x {:.1}\u{b0}, {:.2}\" per pixel, Moon {:.0} px ({:.0} % of the short side)",
        rig.name,
        rig.field_deg.0,
        rig.field_deg.1,
        rig.plate_scale_arcsec,
        rig.moon_diameter_px,
        rig.moon_share_of_short_side * 100.0
    );
    let f = &rig.framing;
    let (az, alt, roll) = f.aim_deg;
    let fits = if f.track_fits {
        format!("the whole track fits, {:.0} px to spare", f.room_px)
    } else {
        "the track does not fit one aim".into()
    };
    let _ = writeln!(out, "  aim: azimuth {az:.1}\u{b0}, altitude {alt:.1}\u{b0}, roll {roll:.0}\u{b0}: {fits}");
    if let Some(room) = f.room_in_file_px {
        let _ = writeln!(
            out,
            "  as aimed in the file: {}",
            if room >= 0.0 {
                format!("fits, {room:.0} px to spare")
            } else {
                format!("the Moon comes {:.0} px over the edge", -room)
            }
        );
    }
    if let Some(minutes) = f.reaim_minutes.filter(|_| !f.track_fits) {
        let _ = writeln!(out, "  re-aim every {minutes:.1} min (middle to edge)");
    }
    if let Some(one) = f.one_aim.as_ref().filter(|_| !f.track_fits) {
        let (az, alt, _) = one.aim_deg;
        let _ = writeln!(
            out,
            "  one aim holds {:.0} min of it: {} to {}, azimuth {az:.1}\u{b0}, altitude {alt:.1}\u{b0}",
            one.minutes,
            &one.from[11..16],
            &one.until[11..16]
        );
    }
    for (label, value) in
        [("leaves the frame", &f.leaves_frame), ("goes down", &f.hidden_from), ("comes up", &f.hidden_until)]
    {
        if let Some(value) = value {
            let _ = writeln!(out, "  {label}: {value}");
        }
    }
    let i = &rig.interval;
    let _ = writeln!(
        out,
        "  interval: discs touch at {}, stand evenly a diameter apart at {}; {} makes {}, {:.1} GB, {:.1} h of battery",
        seconds(i.touching_s),
        seconds(i.even_s),
        i.in_file_s.map_or("the latter".to_owned(), |s| format!("the file's {}", seconds(s))),
        if i.frames == 1 { "1 frame".to_owned() } else { format!("{} frames", i.frames) },
        i.card_gb,
        i.battery_hours
    );
    let (least, most) = rig.close_focal_lengths_mm;
    let _ = writeln!(
        out,
        "  the Moon fills a quarter to two thirds of this sensor's short side at {least:.0} to {most:.0} mm"
    );
    exposure_words(out, rig);
}

/// What each phase needs; what a file has beside it, where there is one.
fn exposure_words(out: &mut String, rig: &RigPlan) {
    let has_file = rig.exposures.iter().any(|a| a.in_file_s.is_some());
    let in_file = if has_file { "   in file" } else { "" };
    let _ = writeln!(
        out,
        "  phase                       f/     ISO{in_file}    lit part   umbra (Danjon 4 / 2 / 0)      longest  bracket"
    );
    for a in &rig.exposures {
        let umbra = a.umbra_s.map_or("-".into(), |u| u.map(seconds).join(" / "));
        let bracket: Vec<String> = a.bracket_s.iter().map(|s| seconds(*s)).collect();
        let _ = writeln!(
            out,
            "  {:<26} {:>4.1} {:>6.0}{}  {:>9}   {:<28}  {:>8}  {}",
            a.phase,
            a.f_number,
            a.iso,
            if has_file { format!("  {:>9}", a.in_file_s.map_or("-".into(), seconds)) } else { String::new() },
            a.lit_s.map_or("-".into(), seconds),
            umbra,
            a.longest_s.map_or("-".into(), seconds),
            bracket.join(", ")
        );
        if let Some(conflict) = &a.conflict {
            let _ = writeln!(out, "      ! {conflict}");
        }
    }
}
