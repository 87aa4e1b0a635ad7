//! Who may make which call and see which page: every call and page × everything that a caller may show. What is expected
//! is written down here and not read from the service.

mod calls;
mod pages;
mod rotation;
mod secrets;
mod shown;
mod world;
