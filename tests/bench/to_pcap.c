/* to_pcap.c: the same frames as a pcap, for the bench: to_pcap CAPTURE FILE.pcap */
#include <stdio.h>
#include <string.h>

#include "replay/capture.h"
#include "replay/capture_writer.h"

int main(int argc, char **argv)
{
	static struct frame frames[4096];
	struct bus_names buses = {0};
	struct capture *capture;
	struct capture_writer *writer;
	char error[512];
	int64_t n;
	int result = 0;

	if (argc != 3) {
		fprintf(stderr, "usage: to_pcap CAPTURE FILE.pcap\n");
		return 2;
	}
	if (capture_open(&capture, argv[1], &buses, NULL, error, sizeof(error)) != 0) {
		fprintf(stderr, "to_pcap: %s\n", error);
		return 1;
	}
	if (capture_writer_open(&writer, argv[2], WRITE_PCAP, WRITE_PLAIN, &buses) != 0) {
		fprintf(stderr, "to_pcap: cannot write '%s'\n", argv[2]);
		capture_close(capture);
		return 1;
	}
	while ((n = capture_read(capture, frames, sizeof(frames) / sizeof(frames[0]))) > 0) {
		for (int64_t i = 0; i < n && result == 0; i++) {
			result = capture_writer_put(writer, &frames[i]);
		}
	}
	capture_close(capture);
	int closed = capture_writer_close(writer);
	return n < 0 || result != 0 || closed != 0 ? 1 : 0;
}
