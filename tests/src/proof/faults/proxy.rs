//! A line that breaks: it takes one request a connection, reads it whole, and then does with it and with its answer what
//! chance says, or kills somebody at a chosen moment.

use std::collections::BTreeMap;
use std::io;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::runtime::Runtime;

use super::Fault;
use crate::proof::histories::chance::Chance;

/// Somebody who dies when the next push comes by.
#[derive(Debug, Clone, Copy)]
pub(super) enum Armed {
    /// The client, when its push has left it and before the service has it.
    ClientBeforeSend(u32),
    /// The client, when the service has answered and before the client has heard.
    ClientBeforeAnswer(u32),
    /// The service, so many microseconds after it got the push.
    Service(u32, u64),
    /// PostgreSQL, as its immediate stop does, so many microseconds after the service got the push.
    Database(u32, u64),
}

struct Shared {
    upstream: Mutex<Option<SocketAddr>>,
    chance: Mutex<Chance>,
    /// One request in so many meets each fault; 0 is a sound line.
    one_in: AtomicUsize,
    armed: Mutex<Option<Armed>>,
    fired: Mutex<BTreeMap<Fault, u64>>,
}

/// The line. It ends with the value.
pub(super) struct Proxy {
    address: SocketAddr,
    shared: Arc<Shared>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Proxy {
    pub(super) fn start(runtime: &Runtime, chance: Chance) -> Self {
        let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a free port");
        let address = listener.local_addr().expect("a bound listener has an address");
        let shared = Arc::new(Shared {
            upstream: Mutex::new(None),
            chance: Mutex::new(chance),
            one_in: AtomicUsize::new(0),
            armed: Mutex::new(None),
            fired: Mutex::new(BTreeMap::new()),
        });
        let own = Arc::clone(&shared);
        runtime.spawn(async move {
            while let Ok((client, _)) = listener.accept().await {
                let shared = Arc::clone(&own);
                // A line that broke has nothing to tell.
                tokio::spawn(async move { drop(carry(&shared, client).await) });
            }
        });
        Self { address, shared }
    }

    pub(super) fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Where the service is now.
    pub(super) fn leads_to(&self, service: SocketAddr) {
        *locked(&self.shared.upstream) = Some(service);
    }

    /// How often each fault is met: one request in so many; 0 for never.
    pub(super) fn breaks_one_in(&self, n: usize) {
        self.shared.one_in.store(n, Ordering::SeqCst);
    }

    pub(super) fn arm(&self, armed: Option<Armed>) {
        *locked(&self.shared.armed) = armed;
    }

    pub(super) fn fired(&self) -> BTreeMap<Fault, u64> {
        locked(&self.shared.fired).clone()
    }
}

impl Shared {
    fn note(&self, fault: Fault) {
        *locked(&self.fired).entry(fault).or_default() += 1;
    }

    fn draw(&self) -> Option<Fault> {
        let one_in = self.one_in.load(Ordering::SeqCst);
        let faults = [
            Fault::RequestDropped,
            Fault::RequestCut,
            Fault::RequestDoubled,
            Fault::AnswerDropped,
            Fault::AnswerCut,
            Fault::Delayed,
            Fault::Busy,
        ];
        if one_in == 0 {
            return None;
        }
        let at = locked(&self.chance).below(one_in.max(faults.len()));
        faults.get(at).copied()
    }

    fn below(&self, n: usize) -> usize {
        locked(&self.chance).below(n)
    }

    async fn connect(&self) -> io::Result<TcpStream> {
        let upstream = *locked(&self.upstream);
        TcpStream::connect(upstream.ok_or(io::ErrorKind::NotConnected)?).await
    }

    /// Asks the service; answers all that it said.
    async fn ask(&self, request: &[u8]) -> io::Result<Vec<u8>> {
        let mut service = self.connect().await?;
        service.write_all(request).await?;
        let mut answer = Vec::new();
        service.read_to_end(&mut answer).await?;
        Ok(answer)
    }

    fn kill(&self, pid: u32, signal: Signal, fault: Fault) {
        if i32::try_from(pid).is_ok_and(|pid| kill(Pid::from_raw(pid), signal).is_ok()) {
            self.note(fault);
        }
    }
}

async fn carry(shared: &Arc<Shared>, mut client: TcpStream) -> io::Result<()> {
    let Some(request) = read_request(&mut client).await? else { return Ok(()) };
    let is_push = request.starts_with(b"POST ") && request.windows(5).take(200).any(|part| part == b"/ops ");
    let armed = if is_push { locked(&shared.armed).take() } else { None };
    let fault = if armed.is_some() { None } else { shared.draw() };
    match armed {
        Some(Armed::ClientBeforeSend(pid)) => {
            shared.kill(pid, Signal::SIGKILL, Fault::ClientKilledBeforeSend);
            return Ok(());
        }
        Some(Armed::Service(pid, after)) => {
            kill_later(shared, pid, after, Signal::SIGKILL, Fault::ServiceKilled)
        }
        Some(Armed::Database(pid, after)) => {
            kill_later(shared, pid, after, Signal::SIGQUIT, Fault::DatabaseStopped);
        }
        Some(Armed::ClientBeforeAnswer(_)) | None => {}
    }
    match fault {
        Some(fault @ Fault::RequestDropped) => {
            shared.note(fault);
            return Ok(());
        }
        Some(fault @ Fault::RequestCut) => {
            shared.note(fault);
            let mut service = shared.connect().await?;
            let part = request.len() - 1 - shared.below(request.len() / 2);
            return service.write_all(&request[..part]).await;
        }
        Some(fault @ Fault::Busy) => {
            shared.note(fault);
            let busy = "HTTP/1.1 503 Service Unavailable\r\nRetry-After: 1\r\nContent-Length: 0\r\nConnection: close\r\n\r\n";
            return client.write_all(busy.as_bytes()).await;
        }
        Some(fault @ Fault::Delayed) => {
            shared.note(fault);
            let pause = 20 + shared.below(200) as u64;
            tokio::time::sleep(Duration::from_millis(pause)).await;
        }
        Some(fault @ Fault::RequestDoubled) => {
            shared.note(fault);
            let (shared, request) = (Arc::clone(shared), request.clone());
            tokio::spawn(async move { shared.ask(&request).await });
        }
        _ => {}
    }
    let answer = shared.ask(&request).await?;
    if let Some(Armed::ClientBeforeAnswer(pid)) = armed {
        shared.kill(pid, Signal::SIGKILL, Fault::ClientKilledBeforeAnswer);
        return Ok(());
    }
    match fault {
        Some(fault @ Fault::AnswerDropped) => {
            shared.note(fault);
            Ok(())
        }
        Some(fault @ Fault::AnswerCut) if answer.len() > 1 => {
            shared.note(fault);
            let part = 1 + shared.below(answer.len() - 1);
            client.write_all(&answer[..part]).await
        }
        _ => {
            client.write_all(&answer).await?;
            client.shutdown().await
        }
    }
}

fn kill_later(shared: &Arc<Shared>, pid: u32, after_us: u64, signal: Signal, fault: Fault) {
    let shared = Arc::clone(shared);
    tokio::spawn(async move {
        tokio::time::sleep(Duration::from_micros(after_us)).await;
        shared.kill(pid, signal, fault);
    });
}

/// Reads a request with its body, and has the service close the connection after its answer. None when the client had
/// nothing to ask.
async fn read_request(client: &mut TcpStream) -> io::Result<Option<Vec<u8>>> {
    let mut bytes = Vec::new();
    let end = loop {
        if let Some(at) = bytes.windows(4).position(|part| part == b"\r\n\r\n") {
            break at + 4;
        }
        if client.read_buf(&mut bytes).await? == 0 {
            return Ok(None);
        }
    };
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let mut length = 0;
    let mut request = String::new();
    for line in head.trim_end().split("\r\n") {
        let name = line.split(':').next().unwrap_or_default().to_ascii_lowercase();
        if name == "content-length" {
            length = line.rsplit(':').next().and_then(|text| text.trim().parse().ok()).unwrap_or(0);
        }
        if name != "connection" {
            request += line;
            request += "\r\n";
        }
    }
    request += "Connection: close\r\n\r\n";
    while bytes.len() < end + length {
        if client.read_buf(&mut bytes).await? == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
    }
    let mut request = request.into_bytes();
    request.extend_from_slice(&bytes[end..end + length]);
    Ok(Some(request))
}
