//! The layout on the desk: chosen, changed by its text or its values, saved.

use super::answers::{Answer, Refused, Shared, aside, fault};
use super::desk::Desk;
use crate::diag::{append_value, last_item, remove_value};
use crate::layout::{Layout, edited, first_words, schema, set_aside, stock, with_value};
use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use serde::Deserialize;
use serde_json::json;
use std::sync::Arc;

/// What can be chosen to begin with.
pub(super) async fn layouts(State(desk): Shared) -> Answer<Json<serde_json::Value>> {
    aside(move || Ok(Json(all_layouts(&desk)))).await
}

fn all_layouts(desk: &Desk) -> serde_json::Value {
    let brought = stock().map(|(name, text)| json!({ "name": name, "words": first_words(text), "own": false }));
    let own = desk.own_layouts().into_iter().map(|name| json!({ "name": name, "words": "", "own": true }));
    json!({ "layouts": own.chain(brought).collect::<Vec<_>>() })
}

pub(super) async fn open(State(desk): Shared, Path(name): Path<String>) -> Answer<StatusCode> {
    aside(move || Ok(desk.open_layout(&name).map(|()| StatusCode::OK)?)).await
}

/// The layout on the desk: its text, its faults, and its values with defaults filled in.
pub(super) async fn layout(State(desk): Shared) -> Json<serde_json::Value> {
    let (name, text) = {
        let work = desk.work();
        (work.layout_name.clone(), work.layout.clone())
    };
    let (layout, faults) = Layout::examine(&desk.folder.join(&name), &text);
    let values = layout.and_then(|l| serde_json::to_value(&l.file).ok());
    Json(
        json!({ "name": name, "text": text, "values": values, "faults": faults.iter().map(fault).collect::<Vec<_>>() }),
    )
}

/// Every field that a layout has: a JSON Schema made of the program's own types.
pub(super) async fn fields() -> Json<serde_json::Value> {
    Json(schema())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Text {
    text: String,
}

pub(super) async fn set_text(State(desk): Shared, Json(Text { text }): Json<Text>) -> Answer<StatusCode> {
    changed(desk, |_| Ok(text)).await
}

/// Puts another text in the layout's place.
async fn changed(
    desk: Arc<Desk>,
    text: impl FnOnce(&str) -> Result<String, String> + Send + 'static,
) -> Answer<StatusCode> {
    aside(move || {
        desk.change_layout(|_, layout| {
            *layout = text(layout)?;
            Ok(())
        })?;
        Ok(StatusCode::OK)
    })
    .await
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Value {
    way: Vec<String>,
    /// None takes an item out of a list.
    value: Option<String>,
    /// Whether the value becomes another item of a list; none is one like the last.
    #[serde(default)]
    more: bool,
}

/// Changes one value; comments and everything else stay as they were written.
pub(super) async fn set_value(State(desk): Shared, Json(asked): Json<Value>) -> Answer<StatusCode> {
    changed(desk, move |text| {
        let mut names: Vec<&str> = asked.way.iter().map(String::as_str).collect();
        let way = names.join(": ");
        let changed = match (&asked.value, asked.more) {
            (Some(value), false) => with_value(text, &names, value),
            (Some(value), true) => append_value(text, &names, value),
            (None, true) => one_like_the_last(text, &names),
            (None, false) => {
                names.pop().and_then(|n| n.parse().ok()).and_then(|index| remove_value(text, &names, index))
            }
        };
        still_read(text, changed.ok_or_else(|| format!("the layout's text has no place for `{way}`"))?)
    })
    .await
}

/// One more of a list, like the last; a panel is moved aside, for it would not be seen on the other.
fn one_like_the_last(text: &str, names: &[&str]) -> Option<String> {
    let more = append_value(text, names, &last_item(text, names)?)?;
    if names != ["arrangement", "panels"] {
        return Some(more);
    }
    let aside = Layout::examine(std::path::Path::new("layout.ron"), &more).0.and_then(|layout| set_aside(&layout));
    Some(aside.and_then(|edits| edited(&more, &edits)).unwrap_or(more))
}

/// A layout's changed text; one that could be read stays one.
fn still_read(text: &str, changed: String) -> Result<String, String> {
    let path = std::path::Path::new("layout.ron");
    if Layout::examine(path, text).0.is_some()
        && let (None, faults) = Layout::examine(path, &changed)
    {
        return Err(faults.first().map_or("it cannot be read then".to_owned(), |d| d.message.clone()));
    }
    Ok(changed)
}

/// What something is to be called.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Name {
    pub(super) name: String,
}

/// Writes the layout under a name beside the frames.
pub(super) async fn save(State(desk): Shared, Json(Name { name }): Json<Name>) -> Answer<StatusCode> {
    aside(move || saved(&desk, name)).await
}

fn saved(desk: &Desk, name: String) -> Answer<StatusCode> {
    let path = desk.beside(&name, &["ron"])?;
    let text = desk.work().layout.clone();
    let is_other = |path: &std::path::Path| {
        let text = crate::files::read_text(path);
        path.exists() && !text.is_ok_and(|text| Layout::examine(path, &text).0.is_some())
    };
    if is_other(&path) {
        return Err(Refused(format!("{name} is there already, and is no layout")));
    }
    crate::write::write_text(&path, &text).map_err(|e| Refused(e.to_string()))?;
    desk.work().layout_name = name;
    Ok(StatusCode::OK)
}
