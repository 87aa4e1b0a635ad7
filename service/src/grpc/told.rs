//! Answers to one reader, who is dropped when they do not read: a stream that ends early ends with an error, so that nobody
//! takes a part for the whole.

use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::sync::mpsc::error::SendTimeoutError;
use tokio_stream::Stream;
use tokio_stream::wrappers::ReceiverStream;
use tonic::Status;

use crate::error::CallError;

/// The writing end.
pub(super) struct Telling<T> {
    answers: mpsc::Sender<Result<T, Status>>,
    is_slow: Arc<AtomicBool>,
    wait: Duration,
}

/// The reading end, as gRPC sends it.
pub struct Told<T> {
    answers: ReceiverStream<Result<T, Status>>,
    is_slow: Arc<AtomicBool>,
}

/// Both ends: so many answers wait between them, none longer than so long.
pub(super) fn telling<T>(capacity: usize, wait: Duration) -> (Telling<T>, Told<T>) {
    let (send, receive) = mpsc::channel(capacity);
    let is_slow = Arc::new(AtomicBool::new(false));
    let told = Told { answers: ReceiverStream::new(receive), is_slow: is_slow.clone() };
    (Telling { answers: send, is_slow, wait }, told)
}

impl<T> Telling<T> {
    /// Sends an answer; false when nobody is there to read more.
    pub(super) async fn tell(&self, answer: Result<T, Status>) -> bool {
        match self.answers.send_timeout(answer, self.wait).await {
            Ok(()) => true,
            Err(SendTimeoutError::Closed(_)) => false,
            Err(SendTimeoutError::Timeout(_)) => {
                self.is_slow.store(true, Ordering::SeqCst);
                false
            }
        }
    }
}

impl<T> Stream for Told<T> {
    type Item = Result<T, Status>;

    fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        match Pin::new(&mut self.answers).poll_next(context) {
            Poll::Ready(None) if self.is_slow.swap(false, Ordering::SeqCst) => {
                Poll::Ready(Some(Err(CallError::NotRead.into())))
            }
            other => other,
        }
    }
}

#[cfg(test)]
mod tests {
    use tokio_stream::StreamExt;

    use super::*;

    #[tokio::test]
    async fn a_stream_whose_reader_does_not_read_ends_with_an_error_and_a_whole_one_without() {
        let (telling, told) = telling(1, Duration::from_millis(20));
        assert!(telling.tell(Ok(1)).await);
        assert!(!telling.tell(Ok(2)).await, "nobody reads");
        drop(telling);
        let all: Vec<_> = told.collect().await;
        assert_eq!(*all[0].as_ref().unwrap(), 1);
        assert_eq!((all.len(), all[1].as_ref().unwrap_err().code()), (2, tonic::Code::Aborted));

        let (telling, told) = self::telling(1, Duration::from_secs(60));
        assert!(telling.tell(Ok(1)).await);
        drop(telling);
        assert_eq!(told.collect::<Vec<_>>().await.len(), 1);
    }
}
