//! The page's door: who is let in, what is refused, and that it stays open.

use crate::nights::{small_night, text};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// A page that is served, and ended with the test.
struct Served {
    child: Child,
    port: u16,
    key: String,
    /// What the browser that the key let in was given.
    secret: String,
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn serve(folder: &Path) -> Served {
    serve_with(folder, &[])
}

fn serve_with(folder: &Path, more: &[&str]) -> Served {
    let mut child = Command::new(env!("CARGO_BIN_EXE_moonloom"))
        .args(["page", text(folder), "--no-browser"])
        .args(more)
        .env("XDG_CACHE_HOME", folder.join(".cache"))
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
    let line = lines.find_map(|l| l.ok().filter(|l| l.contains("http://"))).expect("the address is printed");
    std::thread::spawn(move || lines.for_each(drop));
    let address = line.split("http://127.0.0.1:").nth(1).unwrap().to_owned();
    let (port, key) = address.split_once("/?key=").unwrap();
    let (port, key) = (port.parse().unwrap(), key.trim().to_owned());
    Served { child, port, key, secret: String::new() }
}

/// A page that is served and was opened.
fn opened(folder: &Path) -> Served {
    entered(serve(folder))
}

fn entered(mut page: Served) -> Served {
    let (status, answer) = page.ask("GET", &format!("/?key={}", page.key), "", "");
    assert_eq!(status, 303, "{answer}");
    let cookie = answer.split(&format!("moonloom-{}=", page.port)).nth(1).unwrap();
    page.secret = cookie.split(';').next().unwrap().to_owned();
    page
}

impl Served {
    fn cookie(&self) -> String {
        format!("Cookie: moonloom-{}={}\r\n", self.port, self.secret)
    }

    /// Sends what is given as it is; the status and the rest of the answer.
    fn raw(&self, request: &[u8], and_no_more: bool) -> (u16, String) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        // A server that refuses early may close before all is sent.
        let _ = stream.write_all(request);
        if and_no_more {
            let _ = stream.shutdown(std::net::Shutdown::Write);
        }
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        let answer = String::from_utf8_lossy(&answer).into_owned();
        let status = answer.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0);
        (status, answer)
    }

    fn ask(&self, method: &str, path: &str, headers: &str, body: &str) -> (u16, String) {
        let host = if headers.contains("Host:") { String::new() } else { format!("Host: 127.0.0.1:{}\r\n", self.port) };
        let kind = if body.is_empty() { "" } else { "Content-Type: application/json\r\n" };
        let length = body.len();
        let request = format!(
            "{method} {path} HTTP/1.1\r\n{host}{headers}{kind}Content-Length: {length}\r\nConnection: close\r\n\r\n{body}"
        );
        self.raw(request.as_bytes(), false)
    }

    fn get(&self, path: &str) -> (u16, String) {
        self.ask("GET", path, &self.cookie(), "")
    }

    /// The state when no job runs any longer.
    fn when_done(&self) -> String {
        for _ in 0..600 {
            let state = self.get("/api/state").1;
            if state.contains("\"runs\":false") {
                return state;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("the job does not end");
    }

    fn post(&self, path: &str, body: &str) -> (u16, String) {
        let origin = format!("Origin: http://127.0.0.1:{}\r\n", self.port);
        self.ask("POST", path, &(self.cookie() + &origin), body)
    }
}

/// A copy of the small night, with a picture's name that only it may have.
fn folder() -> (TempDir, PathBuf) {
    let outer = TempDir::new().unwrap();
    let folder = outer.path().join("night");
    std::fs::create_dir(&folder).unwrap();
    for entry in std::fs::read_dir(small_night()).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "jpg" || e == "ron") {
            std::fs::copy(&path, folder.join(path.file_name().unwrap())).unwrap();
        }
    }
    (outer, folder)
}

fn names(folder: &Path) -> Vec<String> {
    let mut out: Vec<String> =
        std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    out.sort();
    out
}

#[test]
fn nobody_is_let_in_without_the_key_and_from_elsewhere() {
    let (_outer, folder) = folder();
    let mut page = serve(&folder);
    assert_eq!(page.ask("GET", "/", "", "").0, 403);
    assert_eq!(page.ask("GET", "/api/state", "", "").0, 403);
    assert_eq!(page.ask("GET", &format!("/?key={}", "0".repeat(32)), "", "").0, 403);
    // The key in another place is none.
    assert_eq!(page.ask("GET", &format!("/api/state?key={}", page.key), "", "").0, 403);
    let (status, answer) = page.ask("GET", &format!("/?key={}", page.key), "", "");
    assert_eq!(status, 303);
    let cookie = answer.lines().find(|l| l.to_ascii_lowercase().starts_with("set-cookie:")).unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    // The key opens once; its browser comes in by its cookie, by the old address too.
    assert_eq!(page.ask("GET", &format!("/?key={}", page.key), "", "").0, 403);
    assert_eq!(page.ask("GET", "/", &format!("Cookie: moonloom-{}={}\r\n", page.port, page.key), "").0, 403);
    page.secret = cookie.split(['=', ';']).nth(1).unwrap().to_owned();
    assert_eq!(page.get(&format!("/?key={}", page.key)).0, 303);
    let (status, answer) = page.get("/");
    assert_eq!(status, 200);
    let head = answer.split("\r\n\r\n").next().unwrap().to_ascii_lowercase();
    for said in [
        "content-security-policy: default-src 'none'",
        "x-content-type-options: nosniff",
        "referrer-policy: no-referrer",
    ] {
        assert!(head.contains(said), "{head}");
    }
    // A name that somebody's server resolves to this machine, and another page.
    for host in ["example.org", "127.0.0.1", "127.0.0.1:1", "localhost.example.org:80"] {
        assert_eq!(page.ask("GET", "/", &format!("Host: {host}\r\n{}", page.cookie()), "").0, 421, "{host}");
    }
    for origin in ["http://example.org", "null", "https://127.0.0.1", "http://127.0.0.1:1"] {
        let headers = format!("Origin: {origin}\r\n{}", page.cookie());
        assert_eq!(page.ask("POST", "/api/undo", &headers, "{}").0, 403, "{origin}");
    }
    assert_eq!(page.ask("POST", "/api/undo", &page.cookie(), "{}").0, 403, "without an origin");
    assert_eq!(page.post("/api/undo", "{}").0, 422, "nothing to take back is said");
}

#[test]
fn no_file_outside_the_folder_is_read_or_written() {
    let (outer, folder) = folder();
    std::fs::write(outer.path().join("secret.ron"), "(version: 2, arrangement: PhaseGrid(columns: 1, rows: 1))")
        .unwrap();
    #[cfg(unix)]
    for name in ["link.ron", "link.tif", "layout-in-work.ron"] {
        std::os::unix::fs::symlink(outer.path().join("secret.ron"), folder.join(name)).unwrap();
    }
    std::fs::remove_file(folder.join("shoot.ron")).unwrap();
    let page = opened(&folder);
    for path in [
        "/../secret.ron",
        "/..%2fsecret.ron",
        "/api/layouts/..%2fsecret.ron/preview",
        "/api/layouts/%2e%2e%2fsecret.ron/open",
        "/api/layouts/link.ron/open",
        "/api/layouts//etc/passwd/preview",
        "/api/frames/99999/window",
        "/api/frames/-1/window",
        "/api/frames/../../secret.ron",
    ] {
        let (status, answer) = if path.ends_with("open") { page.post(path, "{}") } else { page.get(path) };
        assert!((400..500).contains(&status), "{path}: {status}");
        assert!(!answer.contains("columns: 1"), "{path}");
    }
    let before = (names(&folder), names(outer.path()));
    for name in [
        "../out.ron",
        "/tmp/out.ron",
        ".hidden.ron",
        "out.txt",
        "a/b.ron",
        "",
        "out.ron\\u0000",
        "n\\u202e.ron.exe",
        "link.ron",
    ] {
        for route in ["/api/layout/save", "/api/write"] {
            let (status, answer) = page.post(route, &format!("{{\"name\": \"{name}\"}}"));
            assert_eq!(status, 422, "{route} {name}: {answer}");
        }
    }
    // A frame is never written over, nor the notes.
    for (route, name) in [
        ("/api/write", "n0001.jpg"),
        ("/api/layout/save", "shoot.ron"),
        ("/api/layout/save", "registration.ron"),
        ("/api/layout/save", "SHOOT.ron"),
    ] {
        let (status, answer) = page.post(route, &format!("{{\"name\": \"{name}\"}}"));
        assert_eq!(status, 422, "{name}: {answer}");
    }
    // What the page keeps by itself does not follow a link either.
    let (status, answer) = page.post("/api/layout", "{\"text\": \"(version: 2)\"}");
    assert!(status == 422 && answer.contains("is a link"), "{answer}");
    assert_eq!((names(&folder), names(outer.path())), before);
    assert!(std::fs::read_to_string(outer.path().join("secret.ron")).unwrap().contains("columns: 1"));
}

#[test]
fn malformed_slow_and_many_requests_leave_it_standing() {
    let (_outer, folder) = folder();
    let page = opened(&folder);
    // Half a request that never goes on, many times over.
    let mut slow: Vec<TcpStream> = Vec::new();
    for i in 0..40 {
        let mut stream = TcpStream::connect(("127.0.0.1", page.port)).unwrap();
        let host = format!("Host: 127.0.0.1:{0}\r\nOrigin: http://127.0.0.1:{0}\r\n{1}", page.port, page.cookie());
        let half = format!(
            "POST /api/layout HTTP/1.1\r\n{host}Content-Type: application/json\r\nContent-Length: 900\r\n\r\n{{"
        );
        stream.write_all(if i % 2 == 0 { b"GET /api/sta" } else { half.as_bytes() }).unwrap();
        slow.push(stream);
    }
    for body in
        ["{", "[]", "{\"text\": 1}", "{\"text\": \"x\", \"more\": 1}", "\u{0}\u{1}", "{\"way\": [], \"value\": \"1\"}"]
    {
        let route = if body.contains("way") { "/api/layout/value" } else { "/api/layout" };
        let (status, answer) = page.post(route, body);
        assert!((400..500).contains(&status), "{body}: {answer}");
    }
    let long = format!("{{\"text\": \"{}\"}}", "x".repeat(2 << 20));
    assert_eq!(page.post("/api/layout", &long).0, 413);
    for raw in
        [&b"\x16\x03\x01\x02\x00"[..], b"GET\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"\r\n\r\n\r\n", &[0xff; 70_000]]
    {
        let (status, _) = page.raw(raw, true);
        assert!(status == 0 || (400..600).contains(&status), "{status}");
    }
    // Two hundred at once.
    std::thread::scope(|scope| {
        let asked: Vec<_> = (0..200).map(|_| scope.spawn(|| page.get("/api/state").0)).collect();
        assert!(asked.into_iter().all(|a| a.join().unwrap() == 200));
    });
    drop(slow);
    // The work itself, by the same door: registered, changed, taken back.
    assert_eq!(page.post("/api/register", "{}").0, 202);
    assert_eq!(page.post("/api/register", "{}").0, 422, "one job at a time");
    let state = page.when_done();
    assert!(state.contains("\"registered\":true"), "{state}");
    for body in ["{\"centre_px\": [1e300, 1], \"radius_px\": 5}", "{\"turn_deg\": 1e9}", "{\"radius_px\": 1e6}"] {
        assert_eq!(page.post("/api/frames/0", body).0, 422, "{body}");
    }
    assert!((400..500).contains(&page.post("/api/frames/0", "{\"exclude\": \"yes\"}").0));
    assert_eq!(page.post("/api/frames/0", "{\"exclude\": true}").0, 200);
    let kept = std::fs::read_to_string(folder.join("registration.ron")).unwrap();
    assert!(kept.contains("exclude: true,"));
    assert_eq!(page.post("/api/undo", "{}").0, 200);
    assert!(!std::fs::read_to_string(folder.join("registration.ron")).unwrap().contains("exclude: true,"));
    assert_eq!(page.post("/api/layout/value", "{\"way\": [\"arrangement\", \"columns\"], \"value\": \"3\"}").0, 200);
    let (status, answer) =
        page.post("/api/layout/value", "{\"way\": [\"arrangement\", \"columns\"], \"value\": \"many\"}");
    assert!(status == 422 && answer.contains("error"), "{answer}");
    // Nothing is lost when the browser closes, or the program.
    drop(page);
    let page = opened(&folder);
    let (_, state) = page.get("/api/state");
    assert!(state.contains("\"registered\":true"), "{state}");
    assert!(page.get("/api/layout").1.contains("columns: 3"));
    let picture = page.get("/api/picture?side=300").1;
    assert!(picture.contains("image/jpeg") && picture.contains("x-seconds"));
}

#[test]
fn what_a_person_set_outlives_looking_again_new_frames_and_other_notes() {
    let (_outer, folder) = folder();
    let last = folder.join("n0009.jpg");
    let aside = std::fs::read(&last).unwrap();
    std::fs::remove_file(&last).unwrap();
    let kept = || std::fs::read_to_string(folder.join("registration.ron")).unwrap();
    let page = opened(&folder);
    // Taking a layout's change back takes nothing else back.
    assert_eq!(page.post("/api/layout/value", "{\"way\": [\"arrangement\", \"columns\"], \"value\": \"3\"}").0, 200);
    assert_eq!(page.post("/api/register", "{}").0, 202);
    page.when_done();
    assert_eq!(page.post("/api/undo", "{}").0, 200);
    assert!(
        page.get("/api/state").1.contains("\"registered\":true") && !page.get("/api/layout").1.contains("columns: 3")
    );
    // A circle and a frame that is left out.
    assert_eq!(page.post("/api/frames/2", "{\"centre_px\": [101.5, 99.25], \"radius_px\": 44.0}").0, 200);
    assert_eq!(page.post("/api/frames/3", "{\"exclude\": true}").0, 200);
    let is_there = || kept().contains("centre_px: (101.5, 99.25)") && kept().contains("exclude: true,");
    assert!(is_there(), "{}", kept());
    assert_eq!(page.post("/api/register", "{}").0, 202);
    assert!(page.when_done().contains("1 circles set by hand are kept"));
    assert!(is_there());
    // Other notes: what was found is no longer of them, and that is said.
    assert_eq!(page.post("/api/notes", "{\"title\": \"Another name\"}").0, 200);
    assert!(page.get("/api/state").1.contains("\"stale\":true"));
    assert_eq!(page.post("/api/register", "{}").0, 202);
    assert!(page.when_done().contains("\"stale\":false") && is_there());
    drop(page);
    // One more frame, while the page is closed.
    std::fs::write(&last, aside).unwrap();
    let page = opened(&folder);
    assert!(page.get("/api/state").1.contains("\"registered\":false"));
    assert_eq!(page.post("/api/register", "{}").0, 202);
    page.when_done();
    assert!(is_there() && kept().contains("n0009.jpg"));
    drop(page);
    // A registration that cannot be read is nobody's to replace.
    std::fs::write(folder.join("registration.ron"), "(version: 3, mine)").unwrap();
    let page = opened(&folder);
    let (status, answer) = page.post("/api/register", "{}");
    assert!(status == 422 && answer.contains("move it away"), "{answer}");
    assert_eq!(kept(), "(version: 3, mine)");
}

/// The vigil's sheet: what is there is judged, then each frame as it comes; nothing is written, and the other sheets have it after.
#[test]
fn the_folder_is_watched_while_it_fills() {
    let (outer, folder) = folder();
    let late = outer.path().join("n0005.jpg");
    std::fs::rename(folder.join("n0005.jpg"), &late).unwrap();
    let page = opened(&folder);
    assert_eq!(page.get("/api/vigil/newest").0, 422);
    for wrong in ["{\"watch\": true, \"pace\": 0}", "{\"watch\": true, \"pace\": 1e9}"] {
        assert_eq!(page.post("/api/vigil", wrong).0, 422);
    }
    let before = names(&folder);
    let state = || -> serde_json::Value {
        let answer = page.get("/api/vigil").1;
        serde_json::from_str(answer.split("\r\n\r\n").nth(1).unwrap()).unwrap()
    };
    let wait_for = |what: &str, is_so: &dyn Fn(&serde_json::Value) -> bool| {
        for _ in 0..600 {
            let now = state();
            if is_so(&now) {
                return now;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("{what}: {}", state());
    };
    assert_eq!(page.post("/api/vigil", "{\"watch\": true, \"pace\": 60}").0, 202);
    assert_eq!(page.post("/api/vigil", "{\"watch\": true}").0, 422, "it is watched already");
    let there = wait_for("what is there is judged", &|v| v["frames"] == 8 && v["timetable"][0].is_object());
    assert_eq!((there["before"].as_u64(), &there["site_is_known"]), (Some(8), &true.into()));
    std::fs::copy(&late, folder.join("n0005.jpg")).unwrap();
    let now = wait_for("a frame that came is judged", &|v| v["frames"] == 9);
    assert_eq!(now["reports"][0]["file"], "n0005.jpg");
    let (status, window) = page.get("/api/vigil/newest");
    assert!(status == 200 && window.contains("image/jpeg") && window.contains("x-shows: "), "{status}");
    assert_eq!(page.post("/api/vigil", "{\"watch\": false}").0, 202);
    wait_for("it ends", &|v| v["runs"] == false);
    assert_eq!(
        names(&folder).iter().filter(|n| *n != "n0005.jpg").collect::<Vec<_>>(),
        before.iter().collect::<Vec<_>>()
    );
    assert!(page.get("/api/state").1.contains("\"frames\":9"), "the other sheets have what came");
}

/// A frame's time and a part that is no photograph: written beside the frames, taken back, made again, heeded by the next look.
#[test]
fn a_frames_time_and_a_part_to_ignore_are_written_and_taken_back() {
    let (_outer, folder) = folder();
    let kept = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap_or_default();
    let notes = kept("shoot.ron");
    let page = opened(&folder);
    assert_eq!(page.post("/api/frames/4/time", "{\"utc\": \"2028-12-31T16:00:00Z\"}").0, 422, "nothing was looked at");
    assert_eq!(page.post("/api/register", "{}").0, 202);
    page.when_done();
    for (path, wrong) in [
        ("/api/frames/4/time", "{\"utc\": \"at noon\"}"),
        ("/api/frames/400/time", "{\"utc\": \"2028-12-31T16:00:00Z\"}"),
        ("/api/ignore", "{\"left_px\": 1, \"top_px\": 1, \"width_px\": 0, \"height_px\": 9, \"file\": null}"),
        ("/api/notes", "{\"border_px\": -3}"),
    ] {
        assert_eq!(page.post(path, wrong).0, 422, "{path} {wrong}");
    }
    assert!(kept("frames.csv").is_empty() && kept("shoot.ron") == notes);
    assert_eq!(page.post("/api/frames/4/time", "{\"utc\": \"2028-12-31T16:00:00Z\"}").0, 200);
    assert_eq!(kept("frames.csv"), "file,utc\nn0005.jpg,2028-12-31T16:00:00Z\n");
    let part = "{\"left_px\": 3, \"top_px\": 5, \"width_px\": 30, \"height_px\": 7, \"file\": \"n0002.jpg\"}";
    assert_eq!(page.post("/api/ignore", part).0, 200);
    assert_eq!(page.post("/api/notes", "{\"border_px\": 2, \"ahead_s\": 12.5}").0, 200);
    let all = kept("shoot.ron");
    assert!(all.contains("files: [\"n0002.jpg\"])]") && all.contains("border_px: 2"), "{all}");
    assert!(all.contains("ahead_s: 12.5") && page.get("/api/state").1.contains("\"stale\":true"), "{all}");
    // The next look heeds them: the frame stands where its time puts it.
    assert_eq!(page.post("/api/register", "{}").0, 202);
    page.when_done();
    let frames = page.get("/api/frames").1;
    assert!(frames.contains("\"opened_utc\":\"2028-12-31T16:00:00.000Z\"") && frames.contains("\"width_px\":30"));
    for _ in 0..3 {
        assert_eq!(page.post("/api/undo", "{}").0, 200);
    }
    assert!(!folder.join("frames.csv").exists() && kept("shoot.ron") == notes, "as it was before");
    for _ in 0..3 {
        assert_eq!(page.post("/api/redo", "{}").0, 200);
    }
    assert_eq!((kept("frames.csv").lines().count(), kept("shoot.ron")), (2, all));
}

/// Another camera's folder stands in the pictures, and nothing is written into it.
#[test]
fn another_cameras_discs_stand_in_the_pictures() {
    let (outer, folder) = folder();
    let other = outer.path().join("other camera");
    std::fs::create_dir(&other).unwrap();
    for i in 4..=9 {
        let name = format!("n{i:04}.jpg");
        std::fs::rename(folder.join(&name), other.join(&name)).unwrap();
    }
    std::fs::copy(folder.join("shoot.ron"), other.join("shoot.ron")).unwrap();
    let before = names(&other);
    let page = entered(serve_with(&folder, &["--also", text(&other)]));
    assert!(page.get("/api/state").1.contains("the pictures show the frames of other camera as well"));
    assert_eq!(page.post("/api/register", "{}").0, 202);
    assert!(page.when_done().contains("\"frames\":3"), "its frames are mended on a page of their own");
    let (status, answer) = page.get("/api/composition?side=800");
    let json: serde_json::Value = serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap();
    let shown = json["composition"]["placements"].as_array().unwrap();
    assert!(status == 200 && shown.len() == 9, "{shown:?}");
    assert!(shown.iter().any(|p| p["frame"] == "n0009.jpg"), "{shown:?}");
    assert_eq!(page.get("/api/picture?side=400").0, 200);
    assert_eq!(names(&other), before);
    drop(page);
    let run = crate::nights::moonloom(&["page", text(&folder), "--no-browser", "--also", "nowhere"]);
    assert!(crate::nights::stderr(&run).contains("nowhere is no folder"));
}

#[test]
fn windows_that_were_seen_are_kept_and_hands_are_heeded_or_refused() {
    let (_held, folder) = folder();
    let page = opened(&folder);
    page.post("/api/register", "{}");
    page.when_done();
    // A window that was seen needs its frame no more, until the night is read anew.
    let (status, _) = page.get("/api/frames/0/window");
    assert_eq!(status, 200);
    let first = names(&folder).into_iter().find(|n| n.ends_with(".jpg")).unwrap();
    std::fs::rename(folder.join(&first), folder.join(".aside")).unwrap();
    assert_eq!(page.get("/api/frames/0/window").0, 200);
    std::fs::rename(folder.join(".aside"), folder.join(&first)).unwrap();
    // What is taken hold of: known handles, at places that they can have; a layout that would make no picture is not kept.
    let handles = page.get("/api/layout/handles").1;
    assert!(handles.contains("\"size of the discs\"") && handles.contains("\"margin\""), "{handles}");
    let before = page.get("/api/layout").1;
    for (body, words) in [
        (r#"{"name":"a lever","at":[0.5,0.5]}"#, "no such handle"),
        (r#"{"name":"size of the discs","at":[1e300,0.5]}"#, "do not fit"),
        (r#"{"name":"margin","at":[0.9,0.5]}"#, "margin"),
    ] {
        let (status, answer) = page.post("/api/layout/handles", body);
        assert_eq!(status, 422, "{body}: {answer}");
        assert!(answer.contains(words), "{body}: {answer}");
    }
    assert_eq!(page.get("/api/layout").1.split("\r\n\r\n").nth(1), before.split("\r\n\r\n").nth(1));
    assert_eq!(page.post("/api/layout/handles", r#"{"name":"margin","at":[0.04,0.5]}"#).0, 200);
    // Moments: one that is shown goes, a panel that is not there is refused.
    let curve = page.get("/api/layout/moments").1;
    assert!(curve.contains("\"light\"") && curve.contains(&first), "{curve}");
    let answer = page.get("/api/composition?side=800").1;
    let json: serde_json::Value = serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap();
    let shown = json["composition"]["placements"][2]["utc"].as_str().unwrap();
    // Nonsense; a moment beside frames that are shown already; a frame's own.
    for (utc, reach, status) in [
        ("yesterday", "0.5", 422),
        (shown, "-1", 422),
        (shown, "1e300", 422),
        ("2028-12-31T16:00:00Z", "0.5", 422),
        (shown, "0.5", 200),
    ] {
        let (got, answer) = page.post("/api/layout/moments", &format!(r#"{{"utc":"{utc}","reach_s":{reach}}}"#));
        assert_eq!(got, status, "{utc} {reach}: {answer}");
    }
}
