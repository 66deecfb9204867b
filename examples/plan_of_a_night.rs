//! The timetable of an eclipse over a site, by the local clock.
//!
//! `cargo run --example plan_of_a_night -- -31.9 115.75 +08:00 2028-12-31`

use moonloom::plan::{HorizonProfile, PlanRequest, plan};
use moonloom::sky::{Observer, eclipse_near};
use moonloom::units::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let word = |i: usize, otherwise: &'static str| words.get(i).map_or(otherwise, String::as_str);
    let observer = Observer::new(word(0, "-31.9").parse()?, word(1, "115.75").parse()?, 0.0)?;
    let (hours, minutes) = word(2, "+08:00").split_once(':').ok_or("a zone is written as +08:00")?;
    let (hours, minutes): (i32, i32) = (hours.parse()?, minutes.parse()?);
    let sign = if word(2, "+08:00").starts_with('-') { -1 } else { 1 };
    let offset = jiff::tz::Offset::from_seconds(3600 * hours + 60 * minutes * sign)?;
    let noon = Instant::parse_utc(&format!("{}T12:00:00Z", word(3, "2028-12-31")))?;
    let eclipse = eclipse_near(noon).ok_or("there is no eclipse about then")?;
    let night = plan(&PlanRequest {
        observer,
        zone: jiff::tz::TimeZone::fixed(offset),
        eclipse: &eclipse,
        rigs: &[],
        trail_px: 1.5,
        horizon: HorizonProfile::default(),
    });
    for row in &night.timetable {
        println!(
            "{}  {:<8}  altitude {:5.1}°  {:5.1} % in the umbra  {:4.1} stops below full  {}",
            row.local,
            row.contact.as_deref().unwrap_or(""),
            row.altitude_deg,
            100.0 * row.umbral_fraction,
            row.stops_below_full,
            row.twilight
        );
    }
    for caution in &night.cautions {
        println!("! {caution}");
    }
    Ok(())
}
