//! The small server for links: few connections, each short, small heads, no body, no other address than ours.

use super::answer::{Door, Visit, wrong};
use super::page::{CONTENT, Page};
use super::token::PATH;
use http_body_util::{BodyExt, Full, Limited};
use hyper::body::{Bytes, Incoming};
use hyper::header::{
    ALLOW, CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HOST, HeaderValue, ORIGIN, REFERRER_POLICY,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use hyper::server::conn::http1::Builder;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode, Uri};
use hyper_util::rt::{TokioIo, TokioTimer};
use std::convert::Infallible;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{sleep, timeout};

/// The most connections at one time: a rota and its mail programs, and strangers that hold some for nothing.
pub const MOST_CONNECTIONS: usize = 128;
/// How long the heads of a request may take to come.
const HEAD_PATIENCE: Duration = Duration::from_secs(3);
/// How long a connection may last: an order may wait ten seconds for the disk.
const CONNECTION_PATIENCE: Duration = Duration::from_secs(20);
/// The most bytes and lines of the heads.
const MOST_HEAD: usize = 16 * 1024;
const MOST_LINES: usize = 64;
/// The most of a body: a button brings none.
const MOST_BODY: usize = 1024;
/// An accept that failed is tried again after so long.
const ACCEPT_AGAIN: Duration = Duration::from_secs(1);

/// Under which names this server is asked for; other names are other people's pages (rebinding).
#[derive(Debug)]
struct Names {
    hosts: Vec<String>,
    origins: Vec<String>,
}

/// Serves links on this listener until the daemon stops. `url` is what people see of it.
pub async fn serve(listener: TcpListener, url: String, door: Rc<Door>) {
    let names = Rc::new(Names::of(&url, &listener));
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let Ok(place) = Arc::clone(&places).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                let (door, names) = (Rc::clone(&door), Rc::clone(&names));
                tokio::task::spawn_local(async move {
                    // A caller that stalls or hangs up needs no word from us.
                    let _ = timeout(CONNECTION_PATIENCE, converse(stream, &door, &names)).await;
                    drop(place);
                });
            }
            Err(error) => {
                tracing::warn!(%error, "the server for links can't accept a caller");
                sleep(ACCEPT_AGAIN).await;
            }
        }
    }
}

async fn converse(stream: TcpStream, door: &Door, names: &Names) -> Result<(), hyper::Error> {
    let service = service_fn(|request| async { Ok::<_, Infallible>(respond(request, door, names).await) });
    Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_PATIENCE)
        .max_buf_size(MOST_HEAD)
        .max_headers(MOST_LINES)
        .keep_alive(false)
        .serve_connection(TokioIo::new(stream), service)
        .await
}

async fn respond(request: Request<Incoming>, door: &Door, names: &Names) -> Response<Full<Bytes>> {
    let (status, page) = match judge(request, names).await {
        Err(status) => wrong(status),
        Ok((token, visit)) => door.answer(&token, visit).await,
    };
    response(status, &page)
}

/// Which token is asked for and how, or why not.
async fn judge(request: Request<Incoming>, names: &Names) -> Result<(String, Visit), StatusCode> {
    let head = |name| request.headers().get(name).map(HeaderValue::to_str).and_then(Result::ok);
    if !head(HOST).is_some_and(|host| names.hosts.iter().any(|known| known.eq_ignore_ascii_case(host))) {
        return Err(StatusCode::MISDIRECTED_REQUEST);
    }
    let visit = match *request.method() {
        Method::GET | Method::HEAD => Visit::Look,
        Method::POST => Visit::Press,
        _ => return Err(StatusCode::METHOD_NOT_ALLOWED),
    };
    // A page of somebody else's has no button for us. Programs that are no browsers say nothing of where they come from.
    let origin = request.headers().get(ORIGIN);
    let ours = |origin: &HeaderValue| names.origins.iter().any(|known| known.as_bytes() == origin.as_bytes());
    if visit == Visit::Press && !origin.is_none_or(ours) {
        return Err(StatusCode::FORBIDDEN);
    }
    // A proxy may have a path of its own before ours.
    let token = request.uri().path().rsplit_once(PATH).map(|(_, token)| token.to_owned());
    if Limited::new(request.into_body(), MOST_BODY).collect().await.is_err() {
        return Err(StatusCode::PAYLOAD_TOO_LARGE);
    }
    token.map(|token| (token, visit)).ok_or(StatusCode::NOT_FOUND)
}

fn response(status: StatusCode, page: &Page) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(Bytes::from(page.html())));
    *response.status_mut() = status;
    let heads = response.headers_mut();
    heads.insert(CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    if let Ok(content) = HeaderValue::from_str(&CONTENT) {
        heads.insert(CONTENT_SECURITY_POLICY, content);
    }
    heads.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    heads.insert(X_FRAME_OPTIONS, HeaderValue::from_static("DENY"));
    heads.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    // With no referrer at all browsers would hide where the button is, too.
    heads.insert(REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    heads.insert("x-robots-tag", HeaderValue::from_static("noindex"));
    if status == StatusCode::METHOD_NOT_ALLOWED {
        heads.insert(ALLOW, HeaderValue::from_static("GET, HEAD, POST"));
    }
    response
}

impl Names {
    fn of(url: &str, listener: &TcpListener) -> Self {
        let mut names = Self { hosts: Vec::new(), origins: Vec::new() };
        let url: Option<Uri> = url.parse().ok();
        if let Some((scheme, authority)) =
            url.as_ref().and_then(|url| Some((url.scheme_str()?, url.authority()?)))
        {
            names.hosts.push(authority.as_str().to_owned());
            names.origins.push(format!("{scheme}://{authority}"));
        }
        if let Ok(address) = listener.local_addr() {
            let own = [address.to_string(), format!("localhost:{}", address.port())];
            names.origins.extend(own.iter().map(|host| format!("http://{host}")));
            names.hosts.extend(own);
        }
        names
    }
}
