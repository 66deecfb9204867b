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

fn utc(text: &str) -> Instant {
    Instant::parse_utc(text).unwrap()
}

/// An instant given in Terrestrial Time.
fn tt(text: &str) -> Instant {
    let as_utc = utc(text);
    // The same reading of the clock, taken as TT: move by TT-UTC of that date.
    let offset = as_utc.tt_seconds() - (as_utc.to_utc().as_millisecond() as f64 / 1000.0 - 946_728_000.0);
    as_utc.plus_seconds(-offset)
}

#[test]
fn the_frame_has_no_offset_from_de421() {
    // Leaving the frame bias out moves the Moon by 0.020", taking it the wrong way by 0.036": too
    // little for a budget of 0.1", but plain in the mean over the table's instants.
    let (mut ra, mut dec, mut n) = (0.0, 0.0, 0.0);
    let mut worst = Worst::default();
    for row in Table::read("geocentric.csv").rows() {
        let (a, d, km) = moonloom::sky::geocentric_equatorial(instant(&row));
        let off = |x: Angle, deg: f64| (x - Angle::from_degrees(deg)).normalized_signed().arcsec();
        ra += off(a, row.number("moon_ra_deg")) * d.cos();
        dec += off(d, row.number("moon_dec_deg"));
        worst.add(km - row.number("moon_dist_km"));
        n += 1.0;
    }
    println!("Geocentric Moon: mean offset {:+.4}\" {:+.4}\", distance within {:.2} km", ra / n, dec / n, worst.value);
    assert!((ra / n).abs() < 0.006 && (dec / n).abs() < 0.006, "{} {}", ra / n, dec / n);
    assert!(worst.value < 2.5);
}

#[test]
fn grazing_eclipses_keep_their_kind() {
    // From contacts.csv's source (DE421): total by 0.00078, penumbral by 0.00124, penumbral only by
    // 0.0031. Leaving out the Sun's light time and aberration makes the first one partial.
    let kinds = [
        ("2015-04-04T12:00:00Z", EclipseKind::Total, 1.000_78),
        ("2027-07-18T16:00:00Z", EclipseKind::Penumbral, f64::NAN),
        ("2042-09-29T10:45:00Z", EclipseKind::Penumbral, -0.003_1),
    ];
    for (when, kind, magnitude) in kinds {
        let eclipse = moonloom::sky::eclipse_near(utc(when)).unwrap_or_else(|| panic!("no eclipse near {when}"));
        assert_eq!(eclipse.kind, kind, "{when}");
        assert!(
            magnitude.is_nan() || (eclipse.umbral_magnitude - magnitude).abs() < 2e-4,
            "{}",
            eclipse.umbral_magnitude
        );
    }
}

#[test]
fn the_shadows_rule_moves_the_contacts() {
    use moonloom::sky::{ShadowRule, eclipses_between_by};
    let (from, to) = (utc("2028-12-31T00:00:00Z"), utc("2029-01-01T12:00:00Z"));
    let u1 = |rule| eclipses_between_by(rule, from, to)[0].at(Contact::U1).unwrap();
    let danjon = u1(ShadowRule::Danjon);
    // Chauvenet's larger shadow touches earlier: half a minute or so (Meeus, Astronomical Algorithms,
    // ch. 54, on the two rules).
    let earlier = danjon.seconds_since(u1(ShadowRule::Chauvenet));
    assert!((10.0..90.0).contains(&earlier), "{earlier}");
    assert!(danjon.seconds_since(u1(ShadowRule::HeraldSinnott)).abs() < 60.0);
}

#[test]
fn the_canons_contacts_are_met() {
    // NASA's five-millennium canon of lunar eclipses, catalogue pages of 2015-09-28 and 2018-07-27
    // (UT, whole seconds; from memory). Their delta T was predicted: a few seconds' difference.
    let canon = [
        (Contact::P1, "2018-07-27T17:14:49Z"),
        (Contact::U1, "2018-07-27T18:24:27Z"),
        (Contact::U2, "2018-07-27T19:30:15Z"),
        (Contact::Greatest, "2018-07-27T20:21:44Z"),
        (Contact::U3, "2018-07-27T21:13:12Z"),
        (Contact::U4, "2018-07-27T22:19:00Z"),
        (Contact::P4, "2018-07-27T23:28:37Z"),
        (Contact::P1, "2015-09-28T00:11:47Z"),
        (Contact::U1, "2015-09-28T01:07:11Z"),
        (Contact::U2, "2015-09-28T02:11:10Z"),
        (Contact::U3, "2015-09-28T03:23:05Z"),
        (Contact::U4, "2015-09-28T04:27:03Z"),
        (Contact::P4, "2015-09-28T05:22:27Z"),
    ];
    let mut worst = Worst::default();
    for (contact, when) in canon {
        let eclipse = moonloom::sky::eclipse_near(utc(when)).unwrap();
        worst.add(eclipse.at(contact).unwrap().seconds_since(utc(when)));
    }
    println!("NASA canon (from memory), {} contacts: worst {:.1} s", worst.count, worst.value);
    assert!(worst.value <= 6.0, "{}", worst.value);
}

#[test]
fn saros_numbers_are_the_canons() {
    // NASA's five-millennium canon (from memory).
    let canon = [
        ("2015-04-04T12:00:00Z", 132),
        ("2015-09-28T02:47:00Z", 137),
        ("2018-01-31T13:30:00Z", 124),
        ("2018-07-27T20:22:00Z", 129),
        ("2019-01-21T05:12:00Z", 134),
        ("2021-05-26T11:19:00Z", 121),
        ("2022-05-16T04:11:00Z", 131),
        ("2022-11-08T10:59:00Z", 136),
        ("2025-03-14T06:59:00Z", 123),
        ("2025-09-07T18:12:00Z", 128),
        ("2028-12-31T16:52:00Z", 125),
    ];
    for (when, saros) in canon {
        assert_eq!(moonloom::sky::eclipse_near(utc(when)).unwrap().saros, saros, "{when}");
    }
}

#[test]
fn meeus_worked_examples_come_out() {
    // Meeus, Astronomical Algorithms, 2nd ed.; his series are good to 10" and 0.01 degree.
    // Example 47.a, 1992 April 12, 0h TD: apparent right ascension 134.688470, declination
    // +13.768368 degrees, distance 368409.7 km.
    let at = tt("1992-04-12T00:00:00Z");
    let (ra, dec, km) = moonloom::sky::geocentric_equatorial(at);
    assert!(apart(ra, 134.688_470).arcsec() < 15.0 && apart(dec, 13.768_368).arcsec() < 15.0, "{ra:?} {dec:?}");
    assert!((km - 368_409.7).abs() < 15.0, "{km}");
    // Example 53.a, the same instant: libration l = -1.23, b = +4.20, position angle P = 15.08 degrees.
    let turn = moonloom::sky::geocentric_libration(at);
    assert!(apart(turn.longitude, -1.23).degrees() < 0.04 && apart(turn.latitude, 4.20).degrees() < 0.04, "{turn:?}");
    assert!(apart(turn.axis_position_angle, 15.08).degrees() < 0.04, "{turn:?}");
    // Example 54.d (from memory): 1997 September 16, total, greatest eclipse 18h47m TD, gamma -0.3791,
    // magnitude 1.1868 by his rule for the shadow; semidurations 98 minutes (partial) and 31 (total).
    let eclipse = moonloom::sky::eclipse_near(utc("1997-09-16T18:46:00Z")).unwrap();
    assert_eq!(eclipse.kind, EclipseKind::Total);
    assert!(eclipse.greatest().seconds_since(tt("1997-09-16T18:47:00Z")).abs() < 60.0, "{:?}", eclipse.greatest());
    assert!((eclipse.gamma.abs() - 0.3791).abs() < 0.003, "{}", eclipse.gamma);
    assert!((eclipse.umbral_magnitude - 1.1868).abs() < 0.02, "{}", eclipse.umbral_magnitude);
    let minutes = |a, b| eclipse.at(b).unwrap().seconds_since(eclipse.at(a).unwrap()) / 120.0;
    assert!(
        (minutes(Contact::U1, Contact::U4) - 98.0).abs() < 2.0
            && (minutes(Contact::U2, Contact::U3) - 31.0).abs() < 2.0
    );
}

#[test]
fn sofars_gives_the_sofa_test_values() {
    // SOFA's own test program t_sofa_c.c (issue 2021-05-11; from memory).
    let (helio, _) = sofars::eph::epv00(2_400_000.5, 53_411.525_011_61).unwrap();
    let expected = [-0.775_723_880_929_770_7, 0.559_805_224_136_334, 0.242_699_846_648_168_7];
    for (got, want) in helio[0].iter().zip(expected) {
        assert!((got - want).abs() < 1e-12, "{got} {want}");
    }
    let (psi, epsilon) = sofars::pnp::nut00b(2_400_000.5, 53_736.0);
    assert!((psi + 0.963_255_229_114_836_3e-5).abs() < 1e-13 && (epsilon - 0.406_319_710_662_115_9e-4).abs() < 1e-13);
    assert!((sofars::erst::era00(2_400_000.5, 54_388.0) - 0.402_283_724_002_815_8).abs() < 1e-12);
}

#[test]
fn the_refraction_table_is_met() {
    // Mean refraction by apparent altitude at 1010 mbar and 10 C, minutes of arc (handbook table, from
    // memory): 34.5 at 0, 18.3 at 2, 9.9 at 5, 5.3 at 10, 2.6 at 20, 1.0 at 45 degrees.
    for (altitude, minutes) in [(0.0, 34.5), (2.0, 18.3), (5.0, 9.9), (10.0, 5.3), (20.0, 2.6), (45.0, 1.0)] {
        let lift = Refraction::default().lift_at_apparent(Angle::from_degrees(altitude)).degrees() * 60.0;
        assert!((lift - minutes).abs() < 0.13, "{altitude}: {lift}");
    }
}

#[test]
fn facts_that_every_observer_knows() {
    // Common practice, no source: about two lunar eclipses a year, a deep totality of somewhat over an
    // hour, five to six hours in all, a Moon of half a degree that takes two minutes to drift its width.
    let found = eclipses_between(utc("1901-01-01T00:00:00Z"), utc("2000-12-31T23:59:59Z"));
    assert!((200..260).contains(&found.len()), "{} eclipses in a century", found.len());
    let deep = moonloom::sky::eclipse_near(utc("2018-07-27T20:22:00Z")).unwrap();
    let hours = |a, b| deep.at(b).unwrap().seconds_since(deep.at(a).unwrap()) / 3600.0;
    assert!(
        (1.0..1.9).contains(&hours(Contact::U2, Contact::U3)) && (5.0..6.5).contains(&hours(Contact::P1, Contact::P4))
    );
    let place = Observer::new(-31.9, 115.75, 0.0).unwrap();
    let (a, b) = (utc("2028-12-31T16:52:00Z"), utc("2028-12-31T16:54:00Z"));
    let (first, second) = (apparent_moon(&place, a), apparent_moon(&place, b));
    let width = first.semidiameter.degrees() * 2.0;
    assert!((0.48..0.57).contains(&width));
    let moved = (first.airless.direction() - second.airless.direction()).norm().to_degrees();
    assert!((0.8..1.15).contains(&(moved / width)), "{moved} of {width}");
}
