//! Who may ask: the browser that was given the key, from this page, at this address.
//!
//! The address that the program prints holds a key that opens once: whoever reads it later, in a list of processes or a history,
//! is not let in. The browser that it let in keeps a secret of its own from then on, in a cookie that no script reads and no page
//! elsewhere sends. `Host` must be this machine (a name that somebody's server resolves to it is another), `Origin` this page, and
//! what changes something must have one. Neglected: other servers on this machine's ports, which a browser sends the cookie to.

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// What opens the page.
#[derive(Debug)]
pub(super) struct Key {
    /// What the address holds: thirty-two hexadecimal digits.
    pub text: String,
    /// What the cookie holds.
    secret: String,
    has_opened: AtomicBool,
    port: u16,
}

/// So many random digits that nobody guesses them.
fn secret() -> std::io::Result<String> {
    let mut bytes = [0u8; 16];
    getrandom::fill(&mut bytes).map_err(|e| std::io::Error::other(e.to_string()))?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

/// Whether two texts are the same; how long that takes does not tell where they differ.
fn is_same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |d, (a, b)| d | (a ^ b)) == 0
}

/// Longest a request's body may take to arrive.
const PATIENCE: Duration = Duration::from_secs(30);
/// Only what this page brings along is run, shown or asked.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

impl Key {
    pub fn new(port: u16) -> std::io::Result<Self> {
        Ok(Key { text: secret()?, secret: secret()?, has_opened: AtomicBool::new(false), port })
    }

    fn is_our_host(&self, host: &str) -> bool {
        ["127.0.0.1", "localhost", "[::1]"].iter().any(|name| host == format!("{name}:{}", self.port))
    }

    fn is_our_origin(&self, origin: &str) -> bool {
        origin.strip_prefix("http://").is_some_and(|host| self.is_our_host(host))
    }

    /// Cookies are shared by all ports of a machine: its name holds the port.
    fn cookie(&self) -> String {
        format!("moonloom-{}", self.port)
    }

    fn is_in(&self, headers: &HeaderMap) -> bool {
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
        let mut named = cookies.flat_map(|v| v.split(';')).filter_map(|pair| pair.trim().split_once('='));
        named.any(|(name, value)| name == self.cookie() && is_same(&self.secret, value))
    }
}

/// A refusal in one line.
fn refused(status: StatusCode, why: &'static str) -> Response {
    (status, why).into_response()
}

/// Lets a request through, or not; and says of every answer what a browser may do with it.
pub(super) async fn guard(State(key): State<Arc<Key>>, request: Request<Body>, next: Next) -> Response {
    let mut response = admit(&key, request, next).await;
    let headers = response.headers_mut();
    let mut set = |name: header::HeaderName, value: &'static str| {
        headers.insert(name, HeaderValue::from_static(value));
    };
    set(header::CONTENT_SECURITY_POLICY, POLICY);
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::REFERRER_POLICY, "no-referrer");
    set(header::CACHE_CONTROL, "no-store");
    set(header::HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    response
}

async fn admit(key: &Key, request: Request<Body>, next: Next) -> Response {
    let headers = request.headers();
    let text = |name: header::HeaderName| headers.get(name).and_then(|v| v.to_str().ok());
    if !text(header::HOST).is_some_and(|host| key.is_our_host(host)) {
        return refused(StatusCode::MISDIRECTED_REQUEST, "this page is served to this machine alone");
    }
    let origin = headers.get(header::ORIGIN);
    let is_ours = origin.is_some_and(|v| v.to_str().is_ok_and(|origin| key.is_our_origin(origin)));
    // What changes something says where it comes from; what only looks need not.
    if !is_ours && (origin.is_some() || request.method() != Method::GET) {
        return refused(StatusCode::FORBIDDEN, "asked by another page");
    }
    let is_known = key.is_in(headers);
    let query = request.uri().query().unwrap_or("");
    let given = query.split('&').find_map(|pair| pair.strip_prefix("key="));
    if request.uri().path() == "/"
        && let Some(given) = given
    {
        if !is_known && (!is_same(&key.text, given) || key.has_opened.swap(true, Ordering::AcqRel)) {
            return refused(
                StatusCode::FORBIDDEN,
                "this address is not the one printed, or has been opened before; end the program and start it anew",
            );
        }
        let cookie = format!("{}={}; Path=/; HttpOnly; SameSite=Strict", key.cookie(), key.secret);
        // Without the key in the address nobody copies it by accident.
        let mut response = Redirect::to("/").into_response();
        if let Ok(value) = HeaderValue::from_str(&cookie) {
            response.headers_mut().insert(header::SET_COOKIE, value);
        }
        return response;
    }
    if !is_known {
        return refused(StatusCode::FORBIDDEN, "open the address that the program printed");
    }
    match tokio::time::timeout(PATIENCE, with_whole_body(request)).await {
        Ok(Ok(request)) => next.run(request).await,
        Ok(Err(status)) => refused(status, "the request is too long, or broke off"),
        Err(_) => refused(StatusCode::REQUEST_TIMEOUT, "the request took too long to come"),
    }
}

/// Largest body: a layout's text and some more.
const LARGEST_BODY: usize = 1 << 20;

async fn with_whole_body(request: Request<Body>) -> Result<Request<Body>, StatusCode> {
    let (parts, body) = request.into_parts();
    let bytes = axum::body::to_bytes(body, LARGEST_BODY).await.map_err(|_| StatusCode::PAYLOAD_TOO_LARGE)?;
    Ok(Request::from_parts(parts, Body::from(bytes)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machine_by_its_own_names_is_let_in() {
        let key = Key::new(4321).unwrap();
        assert_eq!(key.text.len(), 32);
        assert_ne!(key.text, Key::new(4321).unwrap().text);
        for host in ["127.0.0.1:4321", "localhost:4321", "[::1]:4321"] {
            assert!(key.is_our_host(host) && key.is_our_origin(&format!("http://{host}")), "{host}");
        }
        for host in ["127.0.0.1", "127.0.0.1:80", "example.org:4321", "127.0.0.1:4321.example.org", ""] {
            assert!(!key.is_our_host(host) && !key.is_our_origin(&format!("http://{host}")), "{host}");
        }
        assert!(!key.is_our_origin("null") && !key.is_our_origin("https://127.0.0.1:4321"));
        assert!(key.secret != key.text && is_same(&key.text, &key.text.clone()));
        assert!(!is_same(&key.text, "") && !is_same(&key.text, &"0".repeat(32)));
    }
}
