//! A port as requests see it: its state, and orders to its thread.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use tokio::sync::oneshot;

use crate::base::locked;
use crate::base::{Key, Nanoseconds};
use crate::bench::SoakPlan;
use crate::face::http::config::PortConfig;
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::provoking::{ProvokeOrder, ProvokePlan};
use crate::face::http::types::{LiveProvoke, LiveSoak, PortState};
use crate::source::serial::{Nudge, Try};
use crate::timeline::job::Hands;

/// What a capture is to be; hands on, and nothing more, where nothing is said.
#[derive(Clone, Debug, Default)]
pub struct Begin {
    /// In which job.
    pub job: String,
    /// A word for its name.
    pub word: &'static str,
    /// Whether hands are on the set.
    pub hands: Hands,
    /// Chassis, when it is not the port's or the job's.
    pub chassis: Option<String>,
    /// With a live verdict.
    pub soak: Option<SoakPlan>,
    /// With prompts for these keys, or all of the chassis's when none is named.
    pub check: Option<Vec<Key>>,
    /// With blocks of doing and of leaving alone, by this plan.
    pub provoke: Option<Box<ProvokePlan>>,
    /// Wait for a port that is not there.
    pub patient: bool,
}

/// Where an order's answer goes.
pub type Reply<T> = oneshot::Sender<Answer<T>>;

/// An order to a port's thread.
pub enum Order {
    /// Begin a capture. An on-hands capture of the same port, but for a provocation, is ended first when a soak, a key check or a
    /// provocation is asked for.
    Begin(Begin, Reply<PortState>),
    /// End the capture in good order, this one only where one is named; gives the soak that it was.
    End(Option<String>, Reply<Option<LiveSoak>>),
    /// Try rates, so long each.
    Find(Duration, Reply<Vec<Try>>),
    /// Write to the set.
    Send(Vec<u8>, Reply<usize>),
    /// Which capture runs, and how late it is on its clock.
    Now(Reply<(String, String, Nanoseconds)>),
    /// Go on to the next key of the key check that runs.
    Skip(Reply<()>),
    /// Tell the provocation that runs; gives how it stands.
    Provoke(ProvokeOrder, Reply<LiveProvoke>),
    /// The port's settings have changed; it takes them up when it is idle.
    Settings(PortConfig),
    /// End everything.
    Stop,
}

/// One bound port.
pub struct Port {
    config: Mutex<PortConfig>,
    /// Bound by the configuration.
    pub fixed: bool,
    state: Mutex<PortState>,
    orders: Sender<Order>,
    /// Tells the thread of an order while it waits for bytes.
    nudge: Mutex<Option<Nudge>>,
    thread: Mutex<Option<JoinHandle<()>>>,
}

impl Port {
    /// A port, and the orders to the thread that is to run it.
    pub fn new(config: PortConfig, fixed: bool) -> (Arc<Self>, Receiver<Order>) {
        let (orders, received) = channel();
        let state = PortState {
            name: config.name.clone(),
            device: config.binding.to_string(),
            baud: config.baud,
            framing: config.framing.clone(),
            chassis: config.chassis.clone(),
            ..PortState::default()
        };
        let port = Arc::new(Self {
            config: Mutex::new(config),
            fixed,
            state: Mutex::new(state),
            orders,
            nudge: Mutex::default(),
            thread: Mutex::default(),
        });
        (port, received)
    }

    /// The thread that runs it.
    pub fn set_thread(&self, thread: JoinHandle<()>) {
        *locked(&self.thread) = Some(thread);
    }

    /// Its binding and settings.
    pub fn config(&self) -> PortConfig {
        locked(&self.config).clone()
    }

    /// Takes other settings.
    pub fn set_config(&self, config: PortConfig) {
        *locked(&self.config) = config.clone();
        self.order(Order::Settings(config));
    }

    /// Its state.
    pub fn state(&self) -> PortState {
        locked(&self.state).clone()
    }

    /// The thread tells the state.
    pub fn set_state(&self, state: PortState) {
        *locked(&self.state) = state;
    }

    /// Gives an order; a thread that has ended takes none, and whoever waits is told so by the dropped reply.
    pub fn order(&self, order: Order) {
        let _ = self.orders.send(order);
        if let Some(nudge) = &*locked(&self.nudge) {
            nudge.now();
        }
    }

    /// The thread tells what it waits on from now on.
    pub fn set_nudge(&self, nudge: Nudge) {
        *locked(&self.nudge) = Some(nudge);
    }

    /// Gives an order and waits for its answer.
    ///
    /// # Errors
    /// What the thread answers; 503 when it has ended.
    pub async fn ask<T>(&self, order: impl FnOnce(Reply<T>) -> Order) -> Answer<T> {
        let (reply, answer) = oneshot::channel();
        self.order(order(reply));
        answer.await.unwrap_or_else(|_| Err(ApiError::failed("the port is being closed")))
    }

    /// Ends its thread in good order and waits for that.
    pub fn stop(&self) {
        self.order(Order::Stop);
        let thread = locked(&self.thread).take();
        if let Some(thread) = thread {
            // A thread that panicked has nothing left to say; its recording is closed at the next start.
            let _ = thread.join();
        }
    }
}
