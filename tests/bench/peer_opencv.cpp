// What a general-purpose vision library takes for the usual measure of sharpness: variance of the Laplacian (Pech-Pacheco et al. 2000)
// of the whole picture, by OpenCV from Debian. One process; the bench starts one a processor, each with a share of the files.
#include <cstdio>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

int main(int argc, char **argv)
{
    cv::setNumThreads(1);
    if (argc < 2) {
        std::printf("%s\n", CV_VERSION);
        return 0;
    }
    for (int i = 1; i < argc; i++) {
        const cv::Mat luma = cv::imread(argv[i], cv::IMREAD_GRAYSCALE);
        if (luma.empty())
            continue;
        cv::Mat laplacian;
        cv::Scalar mean, deviation;
        cv::Laplacian(luma, laplacian, CV_64F);
        cv::meanStdDev(laplacian, mean, deviation);
        std::printf("%s %.4f\n", argv[i], deviation[0] * deviation[0]);
    }
    return 0;
}
