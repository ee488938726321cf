//! Binding a port: its state, and the thread that runs it.

use std::sync::mpsc::Receiver;
use std::sync::{Arc, Weak};
use std::thread::JoinHandle;

use crate::base::locked;
use crate::face::http::app::AppState;
use crate::face::http::config::PortConfig;
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::port::{Order, Port};
use crate::face::http::worker::Worker;

/// Most ports that may be bound.
const MOST_PORTS: usize = 64;

impl AppState {
    /// Binds a port and starts its thread.
    ///
    /// # Errors
    /// 409 when the name or the device is taken, or there are too many; 503 when the system gives no thread.
    pub fn bind(self: &Arc<Self>, config: PortConfig, fixed: bool) -> Answer<Arc<Port>> {
        let mut ports = locked(&self.ports);
        if ports.contains_key(&config.name) {
            return Err(ApiError::conflict("a port of this name is bound already"));
        }
        if let Some(other) = ports.values().find(|port| port.config().binding == config.binding) {
            return Err(ApiError::conflict(format!(
                "this device is bound already, as {}",
                other.config().name
            )));
        }
        if ports.len() >= MOST_PORTS {
            return Err(ApiError::conflict(format!("{MOST_PORTS} ports are bound already")));
        }
        let (port, orders) = Port::new(config, fixed);
        port.set_thread(spawn(&port.config().name, orders, Arc::downgrade(&port), Arc::clone(self))?);
        ports.insert(port.config().name.clone(), Arc::clone(&port));
        Ok(port)
    }
}

fn spawn(
    name: &str,
    orders: Receiver<Order>,
    port: Weak<Port>,
    bench: Arc<AppState>,
) -> Answer<JoinHandle<()>> {
    let short: String = name.chars().take(12).collect();
    std::thread::Builder::new()
        .name(format!("port {short}"))
        .spawn(move || Worker::new(port, bench, orders).run())
        .map_err(|error| ApiError::failed(format!("the system gives no thread for the port: {error}")))
}
