//! The plan: its lists against the reference, its advice against what every photographer knows.

use crate::nights::{moonloom, root, stderr, text};
use crate::table::{Table, Worst};
use moonloom::units::Instant;
use serde_json::Value;
use tempfile::TempDir;

fn json(args: &[&str]) -> Value {
    let run = moonloom(args);
    assert!(run.status.success(), "{}", stderr(&run));
    serde_json::from_slice(&run.stdout).expect("stdout is one JSON document")
}

fn rig_file() -> String {
    root().join("sample-frames/saltbush-jetty.ron").to_str().unwrap().to_owned()
}

fn sample_plan() -> Value {
    json(&["plan", "--rig", &rig_file(), "--zone", "Australia/Perth", "--json"])
}

#[test]
fn the_list_agrees_with_de421() {
    // JPL DE421 through skyfield 1.55: tests/data/reference/contacts.csv.
    let listed = json(&["plan", "--list", "2001..2050", "--json"]);
    let eclipses = listed["eclipses"].as_array().unwrap();
    let (mut seconds, mut magnitude) = (Worst::default(), Worst::default());
    for row in Table::read("contacts.csv").rows() {
        let e = &eclipses[row.number("index") as usize];
        let kind = match row.text("type") {
            "T" => "total",
            "P" => "partial",
            _ => "penumbral",
        };
        assert_eq!(e["type"], kind);
        for name in ["p1", "u1", "u2", "greatest", "u3", "u4", "p4"] {
            match (e["contacts"][name].as_str(), row.text(&format!("{name}_utc"))) {
                (None, "") => {}
                (Some(got), want) => {
                    let at = |t: &str| Instant::parse_utc(t).unwrap();
                    seconds.add(at(got).seconds_since(at(want)));
                }
                (None, want) => panic!("no {name} at {want}"),
            }
        }
        magnitude.add(e["umbral_magnitude"].as_f64().unwrap() - row.number("umbral_mag"));
        magnitude.add(e["penumbral_magnitude"].as_f64().unwrap() - row.number("penumbral_mag"));
    }
    println!("plan --list: worst contact {:.3} s, worst magnitude {:.1e}", seconds.value, magnitude.value);
    assert!(seconds.count > 250 && seconds.value <= 1.0 && magnitude.value <= 2e-4);
}

#[test]
fn the_ephemeris_agrees_with_de421() {
    // JPL DE421 through skyfield 1.55: tests/data/reference/positions.csv and shadow.csv.
    let positions = Table::read("positions.csv");
    let shadows = Table::read("shadow.csv");
    let mut worst = [const { Worst { value: 0.0, count: 0 } }; 4];
    for (row, shadow) in positions.rows().zip(shadows.rows()).step_by(16) {
        let site = format!("{},{},{}", row.text("lat_deg"), row.text("lon_deg"), row.text("elev_m"));
        let table = moonloom(&["ephemeris", "--site", &site, "--at", row.text("utc"), "--dut1", row.text("ut1_utc_s")]);
        let table = Table::parse(&String::from_utf8(table.stdout).unwrap());
        let got = table.rows().next().unwrap();
        worst[0].add((got.number("altitude_deg") - row.number("alt_deg")) * 3600.0);
        worst[1].add((got.number("dec_deg") - row.number("dec_deg")) * 3600.0);
        worst[2].add(got.number("shadow_xi_arcsec") - shadow.number("xi_arcsec"));
        worst[3].add(got.number("umbra_radius_arcsec") - shadow.number("umbra_arcsec"));
    }
    println!(
        "ephemeris command: altitude {:.3}\" declination {:.3}\" shadow {:.3}\" umbra {:.3}\" over {} rows",
        worst[0].value, worst[1].value, worst[2].value, worst[3].value, worst[0].count
    );
    assert!(worst.iter().all(|w| w.count == 20 && w.value < 0.1));
}

#[test]
fn a_500_mm_lens_behaves_as_photographers_know() {
    // Common practice, no source: 1-10 ms suits the penumbral and early partial phases on 500 mm at
    // f/8, ISO 200; the disc fills a good part of a small sensor; a Moon's width takes two minutes.
    let plan = sample_plan();
    let tele = &plan["rigs"][1];
    let lit = tele["exposures"][0]["lit_s"].as_f64().unwrap();
    assert!((0.001..0.0101).contains(&lit), "{lit}");
    let touching = tele["interval"]["touching_s"].as_f64().unwrap();
    assert!((110.0..160.0).contains(&touching), "{touching}");
    // On a full-frame sensor (24 mm high) the Moon would take about a fifth of the short side.
    let share = tele["moon_diameter_px"].as_f64().unwrap() * 9.17e-3 / 24.0;
    assert!((0.17..0.24).contains(&share), "{share}");
    // 20-100 ms begins to show: two pixels of trailing take half a second at 3.8" per pixel, and so a
    // tenth of a second at the 0.8" of a fine-grained sensor.
    let longest = tele["exposures"][0]["longest_s"].as_f64().unwrap();
    assert!((0.4..0.7).contains(&longest), "{longest}");
}

#[test]
fn the_umbra_is_a_range_and_the_conflict_is_named() {
    let plan = sample_plan();
    let exposures = plan["rigs"][1]["exposures"].as_array().unwrap();
    let half = exposures.iter().find(|e| e["phase"] == "umbra over 50 %, coming").unwrap();
    let umbra: Vec<f64> = half["umbra_s"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
    assert!(umbra[0] < umbra[1] && umbra[1] < umbra[2], "{umbra:?}");
    // One exposure cannot hold both: the bracket runs from one to the other.
    let bracket = half["bracket_s"].as_array().unwrap();
    assert!(bracket.len() >= 4, "{bracket:?}");
    assert!(half["conflict"].as_str().unwrap().contains("trails"), "{half}");
    // A wide lens has no such trouble.
    assert!(plan["rigs"][0]["exposures"].as_array().unwrap().iter().all(|e| e["conflict"].is_null()));
}

/// Where the Moon rises in eclipse, its leaving half shines through less air: a night has two halves of exposures, not one.
#[test]
fn both_halves_of_the_night_are_exposed_for() {
    let lens = ["--sensor", "6000x4000,5.9", "--lens", "500,8", "--tracking", "--json"];
    let plan = json(&[&["plan", "--eclipse", "2028-12-31", "--site", "50,25"][..], &lens].concat());
    let exposures = plan["rigs"][0]["exposures"].as_array().unwrap();
    let of = |phase: &str| exposures.iter().find(|e| e["phase"] == phase).unwrap_or_else(|| panic!("{phase}"));
    let lit = |phase: &str| of(phase)["lit_s"].as_f64().unwrap();
    // At 15:42 UTC it stands at 10 degrees and at 18:02 at 31: 5.6 and 1.9 airmasses (Kasten and Young 1989). At 0.12 to 0.3
    // magnitudes an airmass (common practice, no source) that is half a stop to one and a quarter; shutters go by thirds.
    let stops = (lit("umbra over 50 %, coming") / lit("umbra over 50 %, going")).log2();
    assert!((0.3..1.6).contains(&stops), "{stops}");
    let phases: Vec<&str> = exposures.iter().map(|e| e["phase"].as_str().unwrap()).collect();
    let at = |phase: &str| phases.iter().position(|p| *p == phase).unwrap_or_else(|| panic!("{phase} of {phases:?}"));
    assert!(
        at("greatest eclipse") < at("totality, about to end") && at("umbra just gone (U4)") < at("penumbral, ending")
    );
    assert!(exposures.windows(2).all(|w| w[0]["utc"].as_str() < w[1]["utc"].as_str()));
}

#[test]
fn the_wide_track_fits_and_the_long_one_does_not() {
    let plan = sample_plan();
    let (wide, tele) = (&plan["rigs"][0]["framing"], &plan["rigs"][1]["framing"]);
    assert_eq!((&wide["track_fits"], &tele["track_fits"]), (&Value::Bool(true), &Value::Bool(false)));
    assert!(wide["room_in_file_px"].as_f64().unwrap() > 100.0 && wide["leaves_frame"].is_null());
    let minutes = tele["reaim_minutes"].as_f64().unwrap();
    assert!((0.5..2.0).contains(&minutes), "{minutes}");
}

#[test]
fn a_horizon_profile_hides_the_moon() {
    let folder = TempDir::new().unwrap();
    let hills = folder.path().join("hills.csv");
    // A hill in the north-west, from azimuth 335 down to 299.
    std::fs::write(&hills, "azimuth,altitude\n0,0\n335,0\n334,40\n300,40\n299,0\n").unwrap();
    let plan = json(&["plan", "--rig", &rig_file(), "--zone", "Australia/Perth", "--horizon", text(&hills), "--json"]);
    let from = plan["rigs"][0]["framing"]["hidden_from"].as_str().unwrap();
    assert!(from.starts_with("2029-01-01 01:5") || from.starts_with("2029-01-01 02:0"), "{from}");
}

#[test]
fn the_drawing_is_written_both_ways() {
    let folder = TempDir::new().unwrap();
    for name in ["plan.svg", "plan.png"] {
        let out = folder.path().join(name);
        let run = moonloom(&["plan", "--rig", &rig_file(), "--drawing", text(&out)]);
        assert!(run.status.success(), "{}", stderr(&run));
        assert!(String::from_utf8_lossy(&run.stdout).contains("Beware"), "cautions are always printed");
    }
    let svg = std::fs::read_to_string(folder.path().join("plan.svg")).unwrap();
    assert!(svg.starts_with("<svg") && svg.contains(">greatest 00:52<"));
    let png = image::open(folder.path().join("plan.png")).unwrap().into_rgb8();
    // Copper Moons are on it.
    assert!(png.pixels().any(|p| p[0] > 190 && p[1] > 90 && p[1] < 130 && p[2] < 80));
}

#[test]
fn wrong_requests_are_said_plainly() {
    let near = |date: &str, zone: &str| {
        let run = moonloom(&["plan", "--eclipse", date, "--site", "-22,114", "--zone", zone]);
        assert!(run.status.success(), "{}", stderr(&run));
        stderr(&run)
    };
    assert!(near("2028-12-30", "UTC").contains("on 2028-12-30 there is no lunar eclipse"));
    assert!(near("2028-12-30", "UTC").contains("--eclipse 2028-12-31"));
    // It is New Year's Day by the local clock before it is over.
    assert!(!near("2028-12-31", "UTC").contains("nearest") && !near("2029-01-01", "+08:00").contains("nearest"));
    let cases: [(&[&str], &str); 7] = [
        (&["--list", "1700..1800"], "1900 to 2099"),
        (&["--list", "soon"], "not a span of years"),
        (&["--eclipse", "2028-11-30", "--site", "0,0"], "no lunar eclipse near"),
        (&["--eclipse", "2028-12-31", "--site", "95,0"], "latitude 95"),
        (&["--eclipse", "2028-12-31", "--site", "0,0", "--zone", "Mars/Base"], "not a time zone"),
        (&["--eclipse", "2028-12-31"], "needs a site"),
        (&["--eclipse", "2150-01-01", "--site", "0,0"], "outside the years"),
    ];
    for (args, words) in cases {
        let run = moonloom(&[&["plan"], args].concat());
        assert_eq!(run.status.code(), Some(2), "{args:?}");
        assert!(stderr(&run).contains(words) && stderr(&run).contains("help:"), "{args:?}: {}", stderr(&run));
    }
}

#[test]
fn an_eclipse_below_the_horizon_is_said_with_where_the_moon_is() {
    let run = moonloom(&["plan", "--eclipse", "2025-03-14", "--site", "-31.9,115.75"]);
    assert!(run.status.success());
    assert!(
        stderr(&run).contains("nothing of this eclipse is seen") && stderr(&run).contains("below the horizon"),
        "{}",
        stderr(&run)
    );
}

/// The schedule's rows against the plan's own numbers; the table by a reader of its own.
#[test]
fn the_schedule_holds_every_frame_with_shutters_the_mount_allows() {
    let folder = TempDir::new().unwrap();
    let table = folder.path().join("night.csv");
    let plan = json(&["plan", "--rig", &rig_file(), "--zone", "Australia/Perth", "--schedule", text(&table), "--json"]);
    let mut reader = csv::Reader::from_path(&table).unwrap();
    let columns: Vec<String> = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    let field = |row: &csv::StringRecord, name: &str| row[columns.iter().position(|c| c == name).unwrap()].to_owned();
    let shutters = |row: &csv::StringRecord| -> Vec<f64> {
        field(row, "shutter_s").split_whitespace().map(|s| s.parse().unwrap()).collect()
    };
    for rig in plan["rigs"].as_array().unwrap() {
        let (name, longest) = (rig["name"].as_str().unwrap(), rig["exposures"][0]["longest_s"].as_f64());
        let of_rig: Vec<_> = rows.iter().filter(|r| field(r, "camera") == name).collect();
        // The Moon is up all night: every moment that the interval counts is there, the bracketing camera's three times.
        let each = if name == "bracket" { 3 } else { 1 };
        assert_eq!(of_rig.len() * each, rig["interval"]["frames"].as_u64().unwrap() as usize, "{name}");
        for row in of_rig.iter().filter(|r| field(r, "phase") != "landscape") {
            let most = shutters(row).into_iter().fold(0.0, f64::max);
            // The Moon's pace changes by a few percent over a night.
            assert!(longest.is_none_or(|l| most <= 1.1 * l), "{name}: {most} s");
            assert!(field(row, "local").ends_with("+08"), "{}", field(row, "local"));
        }
        // Deep in the umbra it takes hundreds of times what the full Moon does, or lacks what it cannot have.
        let light = |row: &csv::StringRecord| {
            let (iso, f): (f64, f64) = (field(row, "iso").parse().unwrap(), field(row, "f_number").parse().unwrap());
            let lacking: f64 = field(row, "lacking_stops").parse().unwrap();
            shutters(row).last().unwrap() * iso / (f * f) * lacking.exp2()
        };
        let total = of_rig.iter().find(|r| field(r, "phase") == "total").unwrap();
        match of_rig.iter().find(|r| field(r, "phase").starts_with("before")) {
            Some(full) => assert!((100.0..100_000.0).contains(&(light(total) / light(full))), "{name}"),
            None => assert_eq!(name, "bracket", "it alone begins within the eclipse"),
        }
        // Beside the last sliver stands copper: one exposure is not enough.
        let sliver = of_rig.iter().filter(|r| {
            (90.0..99.0).contains(&field(r, "umbra_percent").parse::<f64>().unwrap())
                && field(r, "phase") != "landscape"
        });
        sliver.for_each(|row| assert!(shutters(row).len() > 1, "{name} at {}", field(row, "utc")));
    }
    assert!(rows.iter().any(|r| field(r, "phase") == "landscape" && &r[2] == "wide"));
    let instants: Vec<f64> = rows.iter().map(|r| Instant::parse_utc(&field(r, "utc")).unwrap().tt_seconds()).collect();
    assert!(instants.is_sorted());
    // A photograph is never written over, nor anything else that is no schedule.
    for (flag, name, words) in [
        ("--schedule", "other.csv", "azimuth,altitude\n0,1\n"),
        ("--calendar", "mine.ics", "BEGIN:VCALENDAR\r\nPRODID:-//a clock//EN\r\n"),
        ("--calendar", "calendar.txt", ""),
    ] {
        let other = folder.path().join(name);
        std::fs::write(&other, words).unwrap();
        let run = moonloom(&["plan", "--rig", &rig_file(), flag, text(&other)]);
        assert_eq!(run.status.code(), Some(2), "{}", stderr(&run));
        assert_eq!(std::fs::read_to_string(&other).unwrap(), words);
    }
    let again = moonloom(&["plan", "--rig", &rig_file(), "--schedule", text(&table)]);
    assert!(again.status.success(), "a plan's own schedule is made anew: {}", stderr(&again));
}

/// Contacts stand in the calendar at the plan's own seconds; its form is RFC 5545's (3.1, 3.6.1, 3.6.6). Read besides by the
/// icalendar package of PyPI: as many events, the same instants.
#[test]
fn the_calendar_holds_the_contacts_and_keeps_the_standards_form() {
    let folder = TempDir::new().unwrap();
    let file = folder.path().join("night.ics");
    let plan = json(&["plan", "--rig", &rig_file(), "--calendar", text(&file), "--json"]);
    let written = std::fs::read_to_string(&file).unwrap();
    assert!(written.ends_with("END:VCALENDAR\r\n") && !written.replace("\r\n", "").contains(['\r', '\n']));
    assert!(written.split("\r\n").all(|line| line.len() <= 75));
    let unfolded = written.replace("\r\n ", "");
    let events: Vec<&str> = unfolded.split("BEGIN:VEVENT\r\n").skip(1).collect();
    let property = |event: &str, name: &str| {
        let line = event.lines().find_map(|l| l.strip_prefix(name).and_then(|l| l.strip_prefix(':')));
        line.unwrap_or_else(|| panic!("{name} is missing in {event}")).to_owned()
    };
    let mut identifiers: Vec<String> = events.iter().map(|e| property(e, "UID")).collect();
    identifiers.sort();
    identifiers.dedup();
    assert_eq!(identifiers.len(), events.len());
    for (name, words) in [("u1", "U1:"), ("u2", "U2:"), ("greatest", "greatest"), ("u3", "U3:"), ("u4", "U4:")] {
        let event =
            events.iter().find(|e| property(e, "SUMMARY").starts_with(&format!("Lunar eclipse: {words}"))).unwrap();
        let planned = Instant::parse_utc(plan["eclipse"]["contacts"][name].as_str().unwrap()).unwrap();
        let start = property(event, "DTSTART");
        let (date, time) = (&start[..8], &start[9..15]);
        let read =
            format!("{}-{}-{}T{}:{}:{}Z", &date[..4], &date[4..6], &date[6..], &time[..2], &time[2..4], &time[4..]);
        let off = Instant::parse_utc(&read).unwrap().seconds_since(planned).abs();
        assert!(off <= 0.51 && start.ends_with('Z'), "{name}: {start}");
        assert!(property(event, "DESCRIPTION").contains("ISO") && property(event, "TRIGGER") == "-PT5M");
    }
    // A phone is no timer: what drifts out within minutes is told once, in words.
    assert!(
        events.len() < 40
            && events.iter().any(|e| property(e, "DESCRIPTION").contains("tele: centre the Moon before each frame"))
    );
}

/// From London the Moon of New Year's Eve 2028 rises eclipsed: what is to be done hangs on that. Of the eclipse of 3 March 2026
/// London sees nothing, and gets no files.
#[test]
fn what_the_site_sees_decides_what_a_phone_says() {
    let folder = TempDir::new().unwrap();
    let (calendar, table) = (folder.path().join("l.ics"), folder.path().join("l.csv"));
    let asked = |date: &str| {
        let run = moonloom(&[
            "plan",
            "--eclipse",
            date,
            "--site",
            "51.5,-0.1",
            "--rig",
            &rig_file(),
            "--calendar",
            text(&calendar),
            "--schedule",
            text(&table),
        ]);
        (run.status.code(), stderr(&run), String::from_utf8_lossy(&run.stdout).into_owned())
    };
    let (status, said, words) = asked("2028-12-31");
    assert_eq!(status, Some(0), "{said}");
    // The rig file's clock is Perth's.
    assert!(said.contains("--zone") && words.contains("zone UTC"), "{said}{words}");
    let text = std::fs::read_to_string(&calendar).unwrap().replace("\r\n ", "");
    let starts: Vec<&str> = text.lines().filter_map(|l| l.strip_prefix("DTSTART:")).collect();
    let rises = text.lines().position(|l| l == "SUMMARY:Lunar eclipse: the Moon comes up").expect("it rises");
    let at = text.lines().take(rises).filter_map(|l| l.strip_prefix("DTSTART:")).last().unwrap();
    // Sunset of that day over London is near 16:00 UTC; the full Moon rises with it.
    assert!(("20281231T1545".."20281231T1615").contains(&&at[..13]), "{at}");
    assert!(starts.contains(&"20281231T165206Z") && !text.contains("SUMMARY:Lunar eclipse: U1"), "{text}");
    let rows = std::fs::read_to_string(&table).unwrap();
    assert!(!rows.contains("before P1") && rows.contains(",total,"), "{rows}");
    std::fs::remove_file(&calendar).unwrap();
    std::fs::remove_file(&table).unwrap();
    let (status, said, _) = asked("2026-03-03");
    assert_eq!(status, Some(1), "{said}");
    assert!(said.contains("sees nothing of this eclipse") && !calendar.exists() && !table.exists(), "{said}");
}
