//! A decade's lunar eclipses with their contacts.
//!
//! `cargo run --example eclipses_of_a_decade -- 2030`

use moonloom::sky::{Contact, eclipses_between};
use moonloom::units::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let first: i32 = std::env::args().nth(1).map_or(Ok(2030), |year| year.parse())?;
    let start = |year: i32| Instant::parse_utc(&format!("{year:04}-01-01T00:00:00Z"));
    for eclipse in eclipses_between(start(first)?, start(first + 10)?) {
        let utc = |contact: Contact| eclipse.at(contact).map_or("-".into(), |at| at.to_iso_utc()[11..16].to_owned());
        println!(
            "{}  {:<9}  magnitude {:+.3}  U1 {}  U2 {}  U3 {}  U4 {}",
            &eclipse.greatest().to_iso_utc()[..16],
            eclipse.kind.to_string(),
            eclipse.umbral_magnitude,
            utc(Contact::U1),
            utc(Contact::U2),
            utc(Contact::U3),
            utc(Contact::U4)
        );
    }
    Ok(())
}
