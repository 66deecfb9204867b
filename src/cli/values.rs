//! Values that several subcommands read from their flags.

use super::outcome::{Exit, Failure};
use moonloom::diag::Diagnostic;
use moonloom::sky::Observer;

/// A flag's value that is wrong.
pub fn wrong(message: String, help: &str) -> Failure {
    Failure::new(Exit::BadRequest, Diagnostic::error("bad-value", message).with_help(help))
}

/// A site from `LAT,LON[,ELEV]`.
pub fn site(text: &str) -> Result<Observer, Failure> {
    let numbers: Option<Vec<f64>> = text.split(',').map(|n| n.trim().parse().ok()).collect();
    let help = "write --site LAT,LON or --site LAT,LON,ELEV, such as --site -31.9,115.75,6";
    let observer = match numbers.as_deref() {
        Some([lat, lon]) => Observer::new(*lat, *lon, 0.0),
        Some([lat, lon, elevation]) => Observer::new(*lat, *lon, *elevation),
        _ => return Err(wrong(format!("`{text}` is not a site"), help)),
    };
    observer.map_err(|e| wrong(e.to_string(), help))
}
