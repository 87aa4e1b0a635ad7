//! The fuzzer of [`rinsebook_fuzz::procedure`].
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    rinsebook_fuzz::procedure(data);
});
