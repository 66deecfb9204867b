//! The sky against JPL DE421 through skyfield 1.55, a general-purpose library
//! (`tests/data/reference/*.csv`, definitions in their headers, `make_reference.py` beside them).

use crate::table::{Row, Table, Worst};
use moonloom::sky::{
    Contact, EclipseKind, Observer, Refraction, apparent_moon, eclipses_between, libration, shadow_from,
};
use moonloom::units::{Angle, Instant};

fn observer(row: &Row) -> Observer {
    let mut place = Observer::new(row.number("lat_deg"), row.number("lon_deg"), row.number("elev_m")).unwrap();
    place.ut1_minus_utc_s = row.number("ut1_utc_s");
    place
}

fn instant(row: &Row) -> Instant {
    Instant::parse_utc(row.text("utc")).unwrap()
}

fn apart(a: Angle, degrees: f64) -> Angle {
    (a - Angle::from_degrees(degrees)).normalized_signed().abs()
}

#[test]
fn the_moon_stands_where_de421_puts_it() {
    let table = Table::read("positions.csv");
    let mut worst: [Worst; 9] = Default::default();
    for row in table.rows() {
        let (place, at) = (observer(&row), instant(&row));
        let seen = apparent_moon(&place, at);
        let turn = libration(&place, at, &seen);
        worst[0].add(apart(seen.airless.altitude, row.number("alt_deg")).arcsec());
        worst[1].add(apart(seen.airless.azimuth, row.number("az_deg")).arcsec() * seen.airless.altitude.cos());
        worst[2].add(apart(seen.right_ascension, row.number("ra_deg")).arcsec() * seen.declination.cos());
        worst[3].add(apart(seen.declination, row.number("dec_deg")).arcsec());
        worst[4].add(seen.semidiameter.arcsec() - row.number("sd_arcsec"));
        worst[5].add(apart(seen.parallactic_angle, row.number("q_deg")).degrees());
        worst[6].add(apart(turn.axis_position_angle, row.number("pa_axis_deg")).degrees());
        worst[7].add(
            apart(turn.longitude, row.number("lib_lon_deg"))
                .degrees()
                .max(apart(turn.latitude, row.number("lib_lat_deg")).degrees()),
        );
        if let Ok(refracted) = row.text("alt_refr_deg").parse::<f64>() {
            worst[8].add(apart(seen.refracted(Refraction::default()).altitude, refracted).arcsec());
        }
    }
    let budgets = [
        ("altitude, arcsec", 0.1),
        ("azimuth x cos(altitude), arcsec", 0.1),
        ("right ascension x cos(dec), arcsec", 0.1),
        ("declination, arcsec", 0.1),
        ("semidiameter, arcsec", 0.02),
        ("parallactic angle, degrees", 0.01),
        ("axis position angle, degrees", 0.03),
        ("libration, degrees", 0.03),
        ("refracted altitude, arcsec", 0.15),
    ];
    println!("Moon against DE421: worst of {} rows", worst[0].count);
    for ((name, budget), w) in budgets.iter().zip(&worst) {
        println!("  {name:<38} {:>8.4}  (budget {budget})", w.value);
    }
    for ((name, budget), w) in budgets.iter().zip(&worst) {
        assert!(w.count >= 150 && w.value <= *budget, "{name}: {} over {budget}", w.value);
    }
}

#[test]
fn the_shadow_stands_where_de421_puts_it() {
    let positions = Table::read("positions.csv");
    let shadows = Table::read("shadow.csv");
    let (mut offset, mut radius) = (Worst::default(), Worst::default());
    for (place, row) in positions.rows().zip(shadows.rows()) {
        assert_eq!((place.text("site"), place.text("utc")), (row.text("site"), row.text("utc")));
        let (observer, at) = (observer(&place), instant(&place));
        let shadow = shadow_from(&observer, at, &apparent_moon(&observer, at));
        offset.add(shadow.xi.arcsec() - row.number("xi_arcsec"));
        offset.add(shadow.eta.arcsec() - row.number("eta_arcsec"));
        radius.add(shadow.umbra_radius.arcsec() - row.number("umbra_arcsec"));
        radius.add(shadow.penumbra_radius.arcsec() - row.number("penumbra_arcsec"));
    }
    println!("Shadow against DE421: worst offset {:.4}\", worst radius {:.4}\"", offset.value, radius.value);
    assert!(offset.count >= 600 && offset.value <= 0.1, "{}", offset.value);
    assert!(radius.value <= 0.05, "{}", radius.value);
}

#[test]
fn every_contact_of_the_table_is_met() {
    let table = Table::read("contacts.csv");
    let found = eclipses_between(
        Instant::parse_utc("2001-01-01T00:00:00Z").unwrap(),
        Instant::parse_utc("2050-12-31T23:59:59Z").unwrap(),
    );
    let names = [
        (Contact::P1, "p1_utc"),
        (Contact::U1, "u1_utc"),
        (Contact::U2, "u2_utc"),
        (Contact::Greatest, "greatest_utc"),
        (Contact::U3, "u3_utc"),
        (Contact::U4, "u4_utc"),
        (Contact::P4, "p4_utc"),
    ];
    let (mut seconds, mut magnitude, mut gamma) = (Worst::default(), Worst::default(), Worst::default());
    for row in table.rows() {
        // The table's index counts all eclipses of the half century in order.
        let eclipse = &found[row.number("index") as usize];
        let kind = match row.text("type") {
            "T" => EclipseKind::Total,
            "P" => EclipseKind::Partial,
            _ => EclipseKind::Penumbral,
        };
        assert_eq!(eclipse.kind, kind, "{}", row.text("greatest_utc"));
        for (contact, column) in names {
            match (eclipse.at(contact), row.text(column)) {
                (None, "") => {}
                (Some(at), text) => seconds.add(at.seconds_since(Instant::parse_utc(text).unwrap())),
                (None, text) => panic!("no {contact} at {text}"),
            }
        }
        magnitude.add(eclipse.umbral_magnitude - row.number("umbral_mag"));
        magnitude.add(eclipse.penumbral_magnitude - row.number("penumbral_mag"));
        gamma.add(eclipse.gamma - row.number("gamma"));
    }
    println!(
        "Eclipses 2001-2050 against DE421: {} contacts, worst {:.3} s; magnitudes {:.1e}; gamma {:.1e}",
        seconds.count, seconds.value, magnitude.value, gamma.value
    );
    assert!(seconds.count > 250 && seconds.value <= 1.0, "{} s", seconds.value);
    assert!(magnitude.value <= 2e-4 && gamma.value <= 2e-4);
}

#[test]
fn libration_from_the_earths_centre_agrees_with_the_same_series() {
    let mut worst = Worst::default();
    for row in Table::read("geocentric.csv").rows() {
        let turn = moonloom::sky::geocentric_libration(instant(&row));
        worst.add(apart(turn.longitude, row.number("lib_lon_deg")).degrees());
        worst.add(apart(turn.latitude, row.number("lib_lat_deg")).degrees());
        worst.add(apart(turn.axis_position_angle, row.number("pa_axis_deg")).degrees());
    }
    println!("Geocentric libration: worst {:.4} degrees", worst.value);
    assert!(worst.count == 120 && worst.value <= 0.03, "{}", worst.value);
}
