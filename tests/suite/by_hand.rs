//! What a hand takes hold of on a picture comes to lie where the hand left it, and the layout's text says so in its own units.

use crate::arrangements::made_up;
use moonloom::composition::Composition;
use moonloom::ingest::{Night, Site};
use moonloom::layout::{Handle, Layout, Touched, edited, handles, resolve, touched};
use moonloom::raster::PixelPoint;
use moonloom::registration::Registration;
use moonloom::units::Instant;
use std::path::Path;

/// Eight discs of New Year's Eve 2028, a quarter of an hour apart.
fn night() -> (Night, Registration) {
    let site = Site { latitude_deg: -31.9, longitude_deg: 115.75, elevation_m: 5.0 };
    let times: Vec<String> =
        (0..8).map(|i| format!("2028-12-31T{:02}:{:02}:00Z", 15 + i * 15 / 60, i * 15 % 60)).collect();
    let times: Vec<&str> = times.iter().map(String::as_str).collect();
    made_up(site, &times)
}

fn parsed(text: &str) -> Layout {
    Layout::parse(Path::new("by-hand.ron"), text).unwrap_or_else(|d| panic!("{d}\n{text}"))
}

fn laid(layout: &Layout, night: &(Night, Registration)) -> Composition {
    resolve(layout, &night.0, &night.1).unwrap_or_else(|d| panic!("{d}\n{}", layout.text)).value
}

fn found(layout: &Layout, composition: &Composition) -> Vec<Handle> {
    handles(layout, composition).unwrap_or_else(|d| panic!("{d}"))
}

/// On a sheet of 1600 x 1200, with a comment that has to stay.
fn with(arrangement: &str, selection: &str) -> String {
    format!(
        "(version: 2, canvas: (width: 1600, height: 1200, margin: \"5%\"), // a sheet\n \
         arrangement: {arrangement}, selection: ({selection}))"
    )
}

#[test]
fn what_is_dragged_lies_where_it_was_left() {
    let night = night();
    // The arrangement, and a hand's way that each handle of it can follow.
    let layouts = [
        ("PhaseGrid(columns: 4, rows: 2)", (-9.0, 4.0), 2),
        ("PhaseGrid(columns: 4, rows: 2, disc_diameter: \"20mm\")", (7.0, 0.0), 2),
        ("ShadowMap(disc_diameter: 90)", (6.0, 3.0), 2),
        ("Path(along: Line(from: (\"10%\", 300), to: (\"120mm\", \"50%\")), disc_diameter: \"3%\")", (24.0, -18.0), 3),
        (
            "Path(along: Arc(centre: (\"50%\", \"90%\"), radius: \"60%\", from_deg: 200, to_deg: 340), disc_diameter: \"4%\")",
            (12.0, -12.0),
            5,
        ),
        (
            "Path(along: Ellipse(centre: (\"50%\", \"50%\"), radii: (\"60%\", \"4in\"), from_deg: -90, to_deg: 250), disc_diameter: 40)",
            (12.0, -12.0),
            6,
        ),
        (
            "Path(along: Spiral(centre: (\"50%\", \"50%\"), inner: \"10%\", outer: \"40%\", turns: 1.5, from_deg: 0), disc_diameter: 30)",
            (-12.0, 12.0),
            4,
        ),
        (
            "Panels(panels: [(at: (\"5%\", \"5%\"), size: (\"40%\", 600), arrangement: PhaseGrid(columns: 2, rows: 4)), (at: (800, \"10%\"), size: (\"30%\", \"40%\"), \
          arrangement: ShadowMap(), selection: (at: [\"U1\", \"greatest\"], within_minutes: 30))])",
            (-11.0, -9.0),
            12,
        ),
    ];
    let mut moved = 0;
    for (arrangement, (across, down), least) in layouts {
        let text = with(arrangement, "");
        let layout = parsed(&text);
        let before = laid(&layout, &night);
        let all = found(&layout, &before);
        let names: Vec<&str> = all.iter().map(|h| h.name.as_str()).collect();
        assert!(all.len() >= least, "{arrangement}: {names:?}");
        assert!(names.iter().enumerate().all(|(i, n)| !names[..i].contains(n)), "{names:?}");
        for handle in &all {
            if handle.name.ends_with("spacing of the discs") {
                continue;
            }
            let is_edge = |word: &str| handle.name.ends_with(word);
            let to = PixelPoint::new(handle.at.x + across, handle.at.y + down);
            let edits = handle.moved(to).unwrap_or_else(|| panic!("{} of {arrangement}", handle.name));
            let changed = edited(&text, &edits).unwrap_or_else(|| panic!("{edits:?} in {text}"));
            assert!(changed.contains("// a sheet"));
            let layout = parsed(&changed);
            let after = laid(&layout, &night);
            let lies =
                found(&layout, &after).into_iter().find(|h| h.name == handle.name).expect("it is still there").at;
            // Edges and the margin go one way; rims and radii go by their distance, angles by their direction.
            let due = match handle.name.rsplit(": ").next().unwrap_or_default() {
                "margin" => PixelPoint::new(to.x, handle.at.y),
                _ if is_edge("left edge") || is_edge("right edge") => PixelPoint::new(to.x, handle.at.y),
                _ if is_edge("upper edge") || is_edge("lower edge") => PixelPoint::new(handle.at.x, to.y),
                "radius of the ellipse, across" => PixelPoint::new(to.x, handle.at.y),
                "radius of the ellipse, down" => PixelPoint::new(handle.at.x, to.y),
                name if name.starts_with("radius") || name.starts_with("size") || name.contains("the spiral ") => {
                    let centre = |name: &str| all.iter().find(|h| h.name.ends_with(name)).map(|h| h.at);
                    let centre = match name {
                        _ if name.starts_with("size") => first_of(&handle.name, &before),
                        "radius of the arc" => centre("centre of the arc").unwrap(),
                        _ => centre("centre of the spiral").unwrap(),
                    };
                    let scale = to.distance(centre) / handle.at.distance(centre);
                    let now = if name.starts_with("size") { first_of(&handle.name, &after) } else { centre };
                    PixelPoint::new(now.x + scale * (handle.at.x - centre.x), now.y + scale * (handle.at.y - centre.y))
                }
                name if name.starts_with("where the arc") || name.starts_with("where the ellipse") => {
                    let turned = (to.y - lies.y) * (handle.at.x - lies.x) - (to.x - lies.x) * (handle.at.y - lies.y);
                    assert!(turned.is_finite() && lies.distance(handle.at) > 1.0, "{}", handle.name);
                    continue;
                }
                _ => to,
            };
            // A tenth of a percent of 1600 pixels is the coarsest step that a length is written in.
            assert!(lies.distance(due) < 1.2, "{} of {arrangement}: {lies:?}, not {due:?}: {edits:?}", handle.name);
            moved += 1;
        }
    }
    println!("{moved} handles were moved, and lie where they were left");
    assert_eq!(moved, 32);
}

/// The centre of the first disc of a handle's arrangement.
fn first_of(name: &str, composition: &Composition) -> PixelPoint {
    let group = name.strip_prefix("panel ").map_or(0, |rest| rest[..1].parse().unwrap());
    composition.placements.iter().find(|p| p.group == group).unwrap().centre()
}

#[test]
fn spacing_is_dragged_in_what_the_selection_says() {
    let night = night();
    let sky = "SkyTrack(backplate: Sky(width_deg: 40))";
    let line = "Path(along: Line(from: (100, 600), to: (1500, 600)), disc_diameter: 20)";
    let cases = [
        (sky, "minutes_apart: 15", "minutes_apart: 30.0"),
        (sky, "", "minutes_apart: 30.0"),
        (sky, "apart: \"7disc\"", "apart: \"2"),
        (line, "count: 8", "count: 5"),
        (line, "apart: \"7disc\"", "apart: \"14.00disc\""),
    ];
    for (arrangement, selection, wanted) in cases {
        let text = with(arrangement, selection);
        let layout = parsed(&text);
        let before = laid(&layout, &night);
        let all = found(&layout, &before);
        let handle = all.iter().find(|h| h.name == "spacing of the discs").expect("discs can be spaced");
        let first = before.placements[0].centre();
        // Twice as far from the first disc.
        let to = PixelPoint::new(2.0 * handle.at.x - first.x, 2.0 * handle.at.y - first.y);
        let changed = edited(&text, &handle.moved(to).unwrap()).unwrap();
        assert!(changed.contains(wanted), "{selection}: {changed}");
        let after = laid(&parsed(&changed), &night);
        assert!(after.placements.len() < before.placements.len(), "{changed}");
    }
}

#[test]
fn a_touch_of_the_curve_puts_a_moment_in_or_takes_it_out() {
    let night = night();
    let touch = |text: &str, panel: Option<usize>, utc: &str| {
        let layout = parsed(text);
        let at = Instant::parse_utc(utc).unwrap();
        let composition = laid(&layout, &night);
        touched(&layout, (&night.0, &night.1), &composition, Touched { panel, at, reach_s: 1.0 })
            .map(|edits| edited(text, &edits).expect("the text has a place for it"))
    };
    let shown = |text: &str| -> Vec<String> {
        laid(&parsed(text), &night).placements.iter().map(|p| p.frame.clone()).collect()
    };
    // Four of eight discs by their number; a fifth is put in, and one of the four taken out: the others stay those very frames.
    let text = with("PhaseGrid(columns: 4, rows: 2)", "count: 4, from: \"2028-12-31T15:00:00Z\"");
    let four = shown(&text);
    let other = (0..8).find(|i| !four.contains(&format!("m{i:03}.jpg"))).unwrap();
    let time = |i: usize| format!("2028-12-31T{:02}:{:02}:00Z", 15 + i * 15 / 60, i * 15 % 60);
    let five = touch(&text, None, &time(other)).unwrap();
    let mut wanted = four.clone();
    wanted.push(format!("m{other:03}.jpg"));
    wanted.sort();
    assert_eq!(shown(&five), wanted);
    assert!(five.contains("count: None") && five.contains("from: \"2028"), "{five}");
    let first: usize = four[0][1..4].parse().unwrap();
    let without = touch(&five, None, &time(first)).unwrap();
    wanted.retain(|f| *f != four[0]);
    assert_eq!(shown(&without), wanted);
    // Names stay names.
    let named = with("PhaseGrid(columns: 4, rows: 2)", "at: [\"U2\", \"greatest\"], within_minutes: 20");
    let more = touch(&named, None, &time(0)).unwrap();
    assert!(more.contains("[\"2028-12-31T15:00:00Z\", \"U2\", \"greatest\"]"), "{more}");
    // A panel's own moments; the last one stays.
    let poster = with(
        "Panels(panels: [(at: (0, 0), size: (\"50%\", \"90%\"), arrangement: PhaseGrid(columns: 1, rows: 2), selection: (at: [\"2028-12-31T15:15:00Z\"]))])",
        "",
    );
    let two = touch(&poster, Some(0), &time(5)).unwrap();
    assert_eq!(shown(&two), ["m001.jpg", "m005.jpg"]);
    let fault = touch(&poster, Some(0), &time(1)).unwrap_err();
    assert_eq!(fault.code, "last-moment");
    for (text, panel) in [(&poster, Some(3)), (&poster, Some(usize::MAX)), (&poster, None), (&text, Some(0))] {
        assert_eq!(touch(text, panel, &time(1)).unwrap_err().code, "no-such-panel");
    }
    // What other conditions leave out does not come in by its moment.
    let late = with("PhaseGrid(columns: 4, rows: 2)", "count: 4, from: \"2028-12-31T15:50:00Z\"");
    assert_eq!(touch(&late, None, &time(0)).unwrap_err().code, "moment-left-out");
    // The disc that stands for the greatest eclipse goes with that name, wherever it stands.
    let far =
        with("PhaseGrid(columns: 4, rows: 2)", "at: [\"2028-12-31T15:15:00Z\", \"greatest\"], within_minutes: 20");
    let greatest = laid(&parsed(&far), &night).placements.last().unwrap().utc.clone();
    assert!(touch(&far, None, &greatest).unwrap().contains("at: [\"2028-12-31T15:15:00Z\"]"));
    // Older names of fields are changed where they stand.
    let old = "(version: 1, canvas: (width_px: 1600, height_px: 1200, margin_px: 40), arrangement: PhaseGrid(columns: 4, rows: 2))";
    let layout = parsed(old);
    let all = found(&layout, &laid(&layout, &night));
    let margin = all.iter().find(|h| h.name == "margin").unwrap();
    let moved = edited(old, &margin.moved(PixelPoint::new(55.0, 600.0)).unwrap()).unwrap();
    assert_eq!(moved, old.replace("margin_px: 40", "margin_px: 55"));
}
