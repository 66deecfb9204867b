//! Who may ask: the browser that was given the key, from this page, at this address.
//!
//! The key comes once in the address that the program prints, and lives in a cookie from then on that no script reads and no other
//! site sends. `Host` must be this machine (a name that somebody's server resolves to it is another), `Origin` this page.

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use std::sync::Arc;
use std::time::Duration;

/// What opens the page.
#[derive(Debug)]
pub(super) struct Key {
    /// Thirty-two hexadecimal digits.
    pub text: String,
    port: u16,
}

/// Longest a request's body may take to arrive.
const PATIENCE: Duration = Duration::from_secs(30);
/// Only what this page brings along is run, shown or asked.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

impl Key {
    pub fn new(port: u16) -> std::io::Result<Self> {
        let mut bytes = [0u8; 16];
        getrandom::fill(&mut bytes).map_err(|e| std::io::Error::other(e.to_string()))?;
        Ok(Key { text: bytes.iter().map(|b| format!("{b:02x}")).collect(), port })
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

    /// Whether two texts are the same; how long that takes does not tell where they differ.
    fn is(&self, other: &str) -> bool {
        other.len() == self.text.len() && self.text.bytes().zip(other.bytes()).fold(0, |d, (a, b)| d | (a ^ b)) == 0
    }

    fn is_in(&self, headers: &HeaderMap) -> bool {
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
        let mut named = cookies.flat_map(|v| v.split(';')).filter_map(|pair| pair.trim().split_once('='));
        named.any(|(name, value)| name == self.cookie() && self.is(value))
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
    if let Some(origin) = text(header::ORIGIN)
        && !key.is_our_origin(origin)
    {
        return refused(StatusCode::FORBIDDEN, "asked by another page");
    }
    let query = request.uri().query().unwrap_or("");
    let given = query.split('&').find_map(|pair| pair.strip_prefix("key="));
    if request.uri().path() == "/"
        && let Some(given) = given
    {
        if !key.is(given) {
            return refused(StatusCode::FORBIDDEN, "this is not the key");
        }
        let cookie = format!("{}={}; Path=/; HttpOnly; SameSite=Strict", key.cookie(), key.text);
        // Without the key in the address nobody copies it by accident.
        let mut response = Redirect::to("/").into_response();
        if let Ok(value) = HeaderValue::from_str(&cookie) {
            response.headers_mut().insert(header::SET_COOKIE, value);
        }
        return response;
    }
    if !key.is_in(headers) {
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
        assert!(key.is(&key.text) && !key.is("") && !key.is(&"0".repeat(32)));
    }
}
