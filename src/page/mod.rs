//! The page: the whole work in a browser, served by this program to this machine alone.
//!
//! Requests become changes of notes, registration and layout; every pixel is made by the rest of the library. `guard` lets nobody
//! in but the browser that was given the key; `desk` holds what is being worked on, `changes` changes it and takes it back, step by step
//! (`steps`), `beside` has the files that it may touch, `others` what other cameras' folders add to the pictures; `routes` is the list
//! of what can be asked, in `frames`, `notes`, `layout`, `by_hand` (the layout changed on its picture), `picture`, `night` and `vigil`
//! (`answers` is what they have in common, `thumbnails` what is kept of frames that were looked at, `overheard` what the vigil has said); `assets` holds the page itself: plain HTML, CSS and JavaScript, embedded.
//!
//! What is written: `shoot.ron`, `frames.csv`, `registration.ron`, layouts and pictures, all in the folder of the frames and nowhere
//! else.

mod answers;
mod beside;
mod by_hand;
mod changes;
mod desk;
mod frames;
mod guard;
mod job;
mod layout;
mod night;
mod notes;
mod others;
mod overheard;
mod picture;
mod rehearsal;
mod routes;
mod steps;
mod thumbnails;
mod vigil;

use desk::Desk;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;

/// A page to be served.
#[derive(Clone, Debug)]
pub struct PageRequest {
    /// The folder of the frames.
    pub folder: PathBuf,
    /// Other cameras' folders of the night, whose discs stand in the pictures as well.
    pub also: Vec<PathBuf>,
    /// A layout to begin with; else the one that was being worked on, or a grid of the phases.
    pub layout: Option<PathBuf>,
    /// The port; 0 takes any that is free.
    pub port: u16,
    /// Where developed discs are kept.
    pub cache: Option<PathBuf>,
}

/// Serves the page on the loopback address until the process ends; `ready` is told its address, key and all.
///
/// # Errors
/// What the system says of the port; a layout that cannot be read.
pub fn serve(request: &PageRequest, ready: impl FnOnce(&str)) -> std::io::Result<()> {
    let desk = Arc::new(Desk::open(request)?);
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    runtime.block_on(async {
        let listener = tokio::net::TcpListener::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, request.port))).await?;
        let port = listener.local_addr()?.port();
        let key = guard::Key::new(port)?;
        ready(&format!("http://127.0.0.1:{port}/?key={}", key.text));
        axum::serve(listener, routes::all(desk, key)).await
    })
}
