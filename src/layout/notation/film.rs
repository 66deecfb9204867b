//! How a film goes from one photograph to the next.

use serde::{Deserialize, Serialize};

/// How a film goes from one photograph to the next; a picture heeds none of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct FilmPacing {
    /// What fills a gap in the night: where the next photograph comes more than two and a half times as late as usual. (Where all
    /// photographs stand alike, `film --pace photographs`, there is none.)
    pub gaps: Gaps,
}

/// What fills a gap between photographs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub enum Gaps {
    /// The last photograph stands.
    #[default]
    Held,
    /// It dissolves into the next one: such a picture shows no moment that was seen, and the file says so.
    CrossFaded,
    /// Nothing: the next one comes as soon as usual.
    Cut,
}
