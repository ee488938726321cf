//! The other commands' way to a running daemon: over its local socket.

use std::path::{Path, PathBuf};
use std::time::Duration;

use http_body_util::{BodyExt as _, Full};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::{Method, Request, header};
use hyper_util::rt::TokioIo;
use serde_json::Value;

use crate::base::{Error, Result, system};

/// A daemon that does not answer within this is not asked further.
const PATIENCE: Duration = Duration::from_secs(60);

/// A daemon that has a job.
#[derive(Debug)]
pub struct Client {
    socket: PathBuf,
    job: String,
}

impl Client {
    /// The daemon that records into this job now; `None` when none does, and the files are free.
    ///
    /// The socket is `$STRAYKEY_SOCKET`, else the usual one.
    pub fn for_job(folder: &Path) -> Option<Self> {
        let socket = std::env::var_os("STRAYKEY_SOCKET").map(PathBuf::from).or_else(system::usual_socket)?;
        let folder = system::full_path(folder).ok()?;
        let job = folder.file_name()?.to_str()?.to_owned();
        let client = Self { socket, job };
        let status = client.ask(Method::GET, "/api/v1/status", &Value::Null).ok()?;
        if Path::new(status["folder"].as_str()?) != folder.parent()? {
            return None;
        }
        let jobs = client.ask(Method::GET, "/api/v1/jobs", &Value::Null).ok()?;
        let own = jobs["jobs"].as_array()?.iter().find(|job| job["name"] == client.job.as_str())?;
        own["locked_by"].is_string().then_some(client)
    }

    /// A request about the job; `rest` follows its name in the path.
    ///
    /// # Errors
    /// As [`Client::ask`].
    pub fn job(&self, method: Method, rest: &str, body: &Value) -> Result<Value> {
        self.ask(method, &format!("/api/v1/jobs/{}{rest}", self.job), body)
    }

    /// A request.
    ///
    /// # Errors
    /// `System` when the daemon does not answer; what it refuses in its own words, as `Usage`, `Input` or `System`.
    pub fn ask(&self, method: Method, path: &str, body: &Value) -> Result<Value> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|error| Error::system("the system gives no threads").because(error))?;
        let asked = async { tokio::time::timeout(PATIENCE, self.exchange(method, path, body)).await };
        let (status, bytes) = match runtime.block_on(asked) {
            Ok(Ok(answer)) => answer,
            Ok(Err(error)) => {
                return Err(Error::system(format!("the daemon does not answer: {error}")).at(&self.socket));
            }
            Err(_) => return Err(Error::system("the daemon does not answer").at(&self.socket)),
        };
        let value: Value = serde_json::from_slice(&bytes).unwrap_or(Value::Null);
        if status < 300 {
            return Ok(value);
        }
        let word = |name: &str| value["error"][name].as_str().map(str::to_owned);
        let what = word("what").unwrap_or_else(|| format!("the daemon refuses with status {status}"));
        let error = match status {
            400 | 404 | 409 => Error::usage(what),
            422 => Error::input(what),
            _ => Error::system(what),
        };
        Err(match word("remedy") {
            Some(help) => error.help(help),
            None => error,
        })
    }

    async fn exchange(
        &self,
        method: Method,
        path: &str,
        body: &Value,
    ) -> std::result::Result<(u16, Bytes), Box<dyn std::error::Error>> {
        let stream = system::connect_local(&self.socket).await?;
        let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await?;
        tokio::spawn(connection);
        let text = if body.is_null() { String::new() } else { body.to_string() };
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::HOST, "localhost")
            .header(header::CONTENT_TYPE, "application/json")
            .body(Full::new(Bytes::from(text)))?;
        let answer = sender.send_request(request).await?;
        let status = answer.status().as_u16();
        Ok((status, answer.into_body().collect().await?.to_bytes()))
    }
}
