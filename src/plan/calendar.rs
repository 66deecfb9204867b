//! The night as a calendar for a phone (RFC 5545): contacts, re-aims, reminders.

use super::exposure;
use super::{PlanRequest, ShootingPlan};
use crate::sky::{Contact, Refraction, apparent_moon};
use crate::units::Instant;

/// Contacts with the words that stand in a calendar.
const CONTACTS: [(Contact, &str); 7] = [
    (Contact::P1, "P1: the Moon enters the penumbra"),
    (Contact::U1, "U1: the umbra touches the limb"),
    (Contact::U2, "U2: totality begins"),
    (Contact::Greatest, "greatest eclipse"),
    (Contact::U3, "U3: totality ends"),
    (Contact::U4, "U4: the Moon leaves the umbra"),
    (Contact::P4, "P4: the Moon leaves the penumbra"),
];
/// Contacts are announced so long before, minutes.
const CONTACT_ALARM: u32 = 5;
/// Re-aims that come closer than this, minutes, are told once and in words: a phone is no timer.
const CLOSEST_REAIM: f64 = 15.0;

struct Event {
    name: String,
    at: Instant,
    minutes: u32,
    summary: String,
    description: String,
    alarm_minutes: u32,
}

/// A calendar of the night. `written`: when, UTC, as RFC 5545 asks of every event.
pub fn calendar(request: &PlanRequest<'_>, plan: &ShootingPlan, written: Instant) -> String {
    let mut out = String::new();
    for text in
        ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//moonloom//plan//EN", "CALSCALE:GREGORIAN", "METHOD:PUBLISH"]
    {
        line(&mut out, text);
    }
    let site = &request.observer;
    let (latitude, longitude) = (site.latitude.degrees(), site.longitude.normalized_signed().degrees());
    for event in events(request, plan) {
        line(&mut out, "BEGIN:VEVENT");
        line(&mut out, &format!("UID:{}-{}-{latitude:.3}-{longitude:.3}@moonloom", event.name, stamp(event.at)));
        line(&mut out, &format!("DTSTAMP:{}", stamp(written)));
        line(&mut out, &format!("DTSTART:{}", stamp(event.at)));
        line(&mut out, &format!("DURATION:PT{}M", event.minutes));
        line(&mut out, &format!("SUMMARY:{}", escaped(&event.summary)));
        line(&mut out, &format!("DESCRIPTION:{}", escaped(&event.description)));
        line(&mut out, &format!("GEO:{latitude:.6};{longitude:.6}"));
        line(&mut out, "TRANSP:TRANSPARENT");
        line(&mut out, "BEGIN:VALARM");
        line(&mut out, "ACTION:DISPLAY");
        line(&mut out, &format!("DESCRIPTION:{}", escaped(&event.summary)));
        line(&mut out, &format!("TRIGGER:-PT{}M", event.alarm_minutes));
        line(&mut out, "END:VALARM");
        line(&mut out, "END:VEVENT");
    }
    line(&mut out, "END:VCALENDAR");
    out
}

fn events(request: &PlanRequest<'_>, plan: &ShootingPlan) -> Vec<Event> {
    let (first, last) = super::span(request.eclipse);
    // From the middle to the edge it takes so long: half of that leaves room for a slip.
    let reaims = plan.rigs.iter().filter(|rig| !rig.framing.track_fits);
    let reaims: Vec<(&str, f64)> =
        reaims.filter_map(|rig| Some((rig.name.as_str(), rig.framing.reaim_minutes? / 2.0))).collect();
    let often = reaims.iter().filter(|(_, minutes)| *minutes < CLOSEST_REAIM);
    let often = often.map(|(name, minutes)| format!("{name}: re-aim every {:.0} minutes.", minutes.max(1.0)));
    let mut out = vec![
        Event {
            name: "rehearsal".into(),
            at: first.plus_seconds(-86_400.0),
            minutes: 60,
            summary: "Lunar eclipse tomorrow: a test run of the whole sequence".into(),
            description: plan.checklist.join("\n"),
            alarm_minutes: 60,
        },
        Event {
            name: "on-site".into(),
            at: first.plus_seconds(-7200.0),
            minutes: 60,
            summary: "Lunar eclipse: on site, tripod down, clocks set".into(),
            description: plan.cautions.iter().map(|c| (*c).to_owned()).chain(often).collect::<Vec<_>>().join("\n"),
            alarm_minutes: 60,
        },
        Event {
            name: "focus".into(),
            at: first.plus_seconds(-1200.0),
            minutes: 10,
            summary: "Focus, tape, a frame of the landscape".into(),
            description: String::new(),
            alarm_minutes: 0,
        },
    ];
    for (contact, words) in CONTACTS {
        let Some(at) = request.eclipse.at(contact) else { continue };
        let seen = apparent_moon(&request.observer, at).refracted(Refraction::default());
        if seen.altitude.degrees() < 0.0 {
            continue;
        }
        let mut description = format!(
            "The Moon stands at altitude {:.0}\u{b0}, azimuth {:.0}\u{b0}.",
            seen.altitude.degrees(),
            seen.azimuth.normalized().degrees()
        );
        for rig in request.rigs {
            description.push_str(&format!("\n{}", settings(request, rig, at)));
        }
        out.push(Event {
            name: contact.to_string(),
            at,
            minutes: 1,
            summary: words.into(),
            description,
            alarm_minutes: CONTACT_ALARM,
        });
    }
    for (name, minutes) in reaims.iter().filter(|(_, minutes)| *minutes >= CLOSEST_REAIM) {
        let step = minutes * 60.0;
        let count = (last.seconds_since(first) / step) as usize;
        let times = (1..=count).map(|i| first.plus_seconds(i as f64 * step));
        let is_up = |at: &Instant| apparent_moon(&request.observer, *at).airless.altitude.degrees() > 0.0;
        out.extend(times.filter(is_up).map(|at| Event {
            name: format!("aim-{}", name.replace(|c: char| !c.is_ascii_alphanumeric(), "-")),
            at,
            minutes: 1,
            summary: format!("Re-aim: {name}"),
            description: format!("The Moon drifts from the middle to the edge in {:.0} minutes.", 2.0 * minutes),
            alarm_minutes: 0,
        }));
    }
    out.sort_by(|a, b| a.at.tt_seconds().total_cmp(&b.at.tt_seconds()));
    out
}

/// What a camera is set to then, in words.
fn settings(request: &PlanRequest<'_>, rig: &crate::simulate::RehearsedRig, at: Instant) -> String {
    let focal_px = rig.camera.focal_length_mm * 1000.0 / rig.camera.pixel_pitch_um;
    let advice = exposure::one(request, rig, focal_px, String::new(), at);
    let (shutters, _) = super::schedule::shutters(&advice);
    let times: Vec<String> = shutters.iter().map(|s| exposure::shutter_words(*s)).collect();
    format!("{}: {}, f/{:.1}, ISO {:.0}", rig.name, times.join(", "), advice.f_number, advice.iso)
}

/// `20281231T165200Z` (RFC 5545, 3.3.5, form 2).
fn stamp(at: Instant) -> String {
    at.plus_seconds(0.5).to_utc().strftime("%Y%m%dT%H%M%SZ").to_string()
}

/// RFC 5545, 3.3.11.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\\' | ';' | ',' => out.extend(['\\', c]),
            '\n' => out.push_str("\\n"),
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

/// A content line, folded after at most 75 octets (RFC 5545, 3.1).
fn line(out: &mut String, text: &str) {
    let mut octets = 0;
    for c in text.chars() {
        if octets + c.len_utf8() > 75 {
            out.push_str("\r\n ");
            octets = 1;
        }
        out.push(c);
        octets += c.len_utf8();
    }
    out.push_str("\r\n");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_folded_between_letters_and_come_back_whole() {
        let text = format!("SUMMARY:{}", "é".repeat(200));
        let mut out = String::new();
        line(&mut out, &text);
        assert!(out.split("\r\n").all(|l| l.len() <= 75));
        assert_eq!(out.replace("\r\n ", ""), format!("{text}\r\n"));
    }

    /// RFC 5545, 3.3.11: the example of a TEXT value.
    #[test]
    fn text_is_escaped_as_the_standards_example_is() {
        let meant = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared.";
        assert_eq!(escaped(meant), r"Project XYZ Final Review\nConference Room - 3B\nCome Prepared.");
        assert_eq!(escaped(r"a;b,c\d"), r"a\;b\,c\\d");
    }
}
