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

/// A calendar of the night; `None` where the site sees nothing of it. `written`: when, UTC, as RFC 5545 asks of every event.
pub fn calendar(request: &PlanRequest<'_>, plan: &ShootingPlan, written: Instant) -> Option<String> {
    let events = events(request, plan)?;
    let mut out = String::new();
    for text in ["BEGIN:VCALENDAR", "VERSION:2.0", PRODUCT, "CALSCALE:GREGORIAN"] {
        line(&mut out, text);
    }
    let site = &request.observer;
    let (latitude, longitude) = (site.latitude.degrees(), site.longitude.normalized_signed().degrees());
    let date = request.eclipse.greatest().to_utc().strftime("%Y%m%d").to_string();
    for event in events {
        line(&mut out, "BEGIN:VEVENT");
        // The same for every plan of this eclipse from this site: loaded again, it replaces what was loaded before.
        line(&mut out, &format!("UID:{date}-{}-{latitude:.3}-{longitude:.3}@moonloom", event.name));
        line(&mut out, &format!("DTSTAMP:{}", stamp(written)));
        line(&mut out, &format!("DTSTART:{}", stamp(event.at)));
        line(&mut out, &format!("DURATION:PT{}M", event.minutes));
        line(&mut out, &format!("SUMMARY:{}", escaped(&format!("Lunar eclipse: {}", event.summary))));
        line(&mut out, &format!("DESCRIPTION:{}", escaped(&event.description)));
        line(&mut out, &format!("LOCATION:{}", escaped(&format!("{latitude:.4}, {longitude:.4}"))));
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
    Some(out)
}

/// Who wrote a calendar: the line by which one of this program's is known.
pub const PRODUCT: &str = "PRODID:-//moonloom//plan//EN";

/// Minutes of the eclipse from P1 on at which the Moon is looked for.
const LOOKED_FOR_EVERY: f64 = 1.0;

/// `None` where nothing of the eclipse is seen.
fn events(request: &PlanRequest<'_>, plan: &ShootingPlan) -> Option<Vec<Event>> {
    let (first, last) = super::span(request.eclipse);
    let count = (last.seconds_since(first) / (60.0 * LOOKED_FOR_EVERY)).ceil() as usize;
    let minutes: Vec<Instant> = (0..=count).map(|i| first.plus_seconds(60.0 * LOOKED_FOR_EVERY * i as f64)).collect();
    let seen: Vec<bool> = minutes.iter().map(|at| request.sees(*at)).collect();
    let begins = minutes[seen.iter().position(|s| *s)?];
    let mut out = preparations(plan, begins);
    for (k, pair) in seen.windows(2).enumerate().filter(|(_, pair)| pair[0] != pair[1]) {
        let (name, summary) = if pair[1] { ("rises", "the Moon comes up") } else { ("sets", "the Moon goes down") };
        out.push(moment(request, name.into(), summary.into(), minutes[k + 1]));
    }
    for (contact, words) in CONTACTS {
        if let Some(at) = request.eclipse.at(contact).filter(|at| request.sees(*at)) {
            out.push(moment(request, contact.to_string(), words.into(), at));
        }
    }
    for (number, (name, every)) in reaims(plan).iter().enumerate().filter(|(_, (_, every))| *every >= CLOSEST_REAIM) {
        let count = (last.seconds_since(begins) / (60.0 * every)) as usize;
        let times = (1..=count).map(|i| (i, begins.plus_seconds(60.0 * every * i as f64)));
        out.extend(times.filter(|(_, at)| request.sees(*at)).map(|(i, at)| Event {
            name: format!("aim-{number}-{i}"),
            at,
            minutes: 1,
            summary: format!("re-aim {name}"),
            description: format!("The Moon drifts from the middle to the edge in {:.0} minutes.", 2.0 * every),
            alarm_minutes: 0,
        }));
    }
    out.sort_by(|a, b| a.at.tt_seconds().total_cmp(&b.at.tt_seconds()));
    Some(out)
}

/// What is to be done before the Moon is first seen eclipsed.
fn preparations(plan: &ShootingPlan, begins: Instant) -> Vec<Event> {
    let often = reaims(plan).into_iter().filter(|(_, every)| *every < CLOSEST_REAIM);
    let often = often.map(|(name, _)| format!("{name}: centre the Moon before each frame."));
    let on_site: Vec<String> = plan.cautions.iter().map(|c| (*c).to_owned()).chain(often).collect();
    [
        ("rehearsal", 86_400.0, 60, "tomorrow; a test run of the whole sequence", plan.checklist.join("\n"), 60),
        ("on-site", 7200.0, 60, "on site, tripod down, clocks set", on_site.join("\n"), 60),
        ("focus", 1200.0, 10, "focus, tape, a frame of the landscape", FOCUS.to_owned(), 0),
    ]
    .into_iter()
    .map(|(name, before_s, minutes, summary, description, alarm_minutes)| Event {
        name: name.into(),
        at: begins.plus_seconds(-before_s),
        minutes,
        summary: summary.into(),
        description,
        alarm_minutes,
    })
    .collect()
}

/// Common practice, no source.
const FOCUS: &str =
    "On the limb or a bright star at full magnification; then tape the ring, and look again when it has cooled.";

/// A moment of the night, with where the Moon stands and what each camera is set to.
fn moment(request: &PlanRequest<'_>, name: String, summary: String, at: Instant) -> Event {
    let seen = apparent_moon(&request.observer, at).refracted(Refraction::default());
    let mut description = format!(
        "The Moon stands at altitude {:.0}\u{b0}, azimuth {:.0}\u{b0}.",
        seen.altitude.degrees(),
        seen.azimuth.normalized().degrees()
    );
    for rig in request.rigs {
        description.push_str(&format!("\n{}", settings(request, rig, at)));
    }
    Event { name, at, minutes: 1, summary, description, alarm_minutes: CONTACT_ALARM }
}

/// Cameras that are aimed anew and cannot hold the whole track, and how often, minutes: half of what it takes from the middle to
/// the edge leaves room for a slip.
fn reaims(plan: &ShootingPlan) -> Vec<(&str, f64)> {
    let turned = plan.rigs.iter().filter(|rig| !rig.framing.track_fits);
    turned.filter_map(|rig| Some((rig.name.as_str(), rig.framing.reaim_minutes? / 2.0))).collect()
}

/// What a camera is set to then, in words.
fn settings(request: &PlanRequest<'_>, rig: &crate::camera::Setup, at: Instant) -> String {
    let advice = exposure::one(request, rig, String::new(), at);
    let (shutters, lacking) = exposure::shutters(&advice, rig.bracket_stops());
    let times: Vec<String> = shutters.iter().map(|s| exposure::shutter_words(*s)).collect();
    let short = if lacking < 0.3 {
        String::new()
    } else {
        format!(" ({lacking:.1} stops short on this mount: raise the ISO, open the lens or follow the sky)")
    };
    format!("{}: {}, f/{:.1}, ISO {:.0}{short}", rig.name, times.join(", "), advice.f_number, advice.iso)
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
