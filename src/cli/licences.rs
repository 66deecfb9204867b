//! `moonloom licences`: what is inside the program when it is built with all of its features, and under which licences.

use super::outcome::{Outcome, print, print_json};
use clap::Args;

/// List what is inside the program and under which licences.
#[derive(Args)]
pub struct LicencesArgs {
    /// As a bill of materials (CycloneDX 1.5, JSON)
    #[arg(long)]
    json: bool,
}

/// Every package that the program is built of, by `cargo metadata`: name, version, SPDX expression. A test holds it.
const PACKAGES: &str = include_str!("licences.csv");
/// What is embedded besides.
const EMBEDDED: [(&str, &str, &str); 2] = [
    ("Inter Light, subset to Latin and Greek", "", "OFL-1.1"),
    (
        "a map of the Moon's face, as the package globe.gl 2.46.2 carries it (by its look NASA's, free to use with credit)",
        "",
        "MIT",
    ),
];

fn packages() -> impl Iterator<Item = (&'static str, &'static str, &'static str)> {
    PACKAGES.lines().skip(1).filter_map(|line| {
        let mut words = line.splitn(3, ',');
        Some((words.next()?, words.next()?, words.next()?))
    })
}

pub fn run(args: &LicencesArgs) -> Outcome {
    if args.json {
        return print_json(&bill());
    }
    let mut out = format!("{:<28} {:<12} licence\n", "package", "version");
    for (name, version, licence) in packages() {
        out.push_str(&format!("{name:<28} {version:<12} {licence}\n"));
    }
    out.push_str("\nembedded besides\n");
    for (name, version, licence) in EMBEDDED {
        out.push_str(&format!("{name} {version}: {licence}\n").replace(" :", ":"));
    }
    print(&out)
}

/// CycloneDX 1.5 (ECMA-424): the components with their licences and package URLs.
fn bill() -> serde_json::Value {
    let component = |(name, version, licence): (&str, &str, &str)| {
        serde_json::json!({
            "type": "library",
            "name": name,
            "version": version,
            "purl": format!("pkg:cargo/{name}@{version}"),
            "licenses": [{ "expression": licence }],
        })
    };
    let embedded = |(name, _, licence): (&str, &str, &str)| serde_json::json!({ "type": "data", "name": name, "licenses": [{ "expression": licence }] });
    serde_json::json!({
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": { "component": {
            "type": "application",
            "name": "moonloom",
            "version": env!("CARGO_PKG_VERSION"),
            "licenses": [{ "expression": "MIT OR Apache-2.0" }],
        } },
        "components": packages().map(component).chain(EMBEDDED.into_iter().map(embedded)).collect::<Vec<_>>(),
    })
}
